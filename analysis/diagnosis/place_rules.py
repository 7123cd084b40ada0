"""Rules about where a lobe stands: on which valve, and whether the cam card's events can belong to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from analysis.base.finding import DOUBT, NOTE
from analysis.curve.sweep import Swept
from analysis.diagnosis.rule import Seen, rule
from analysis.job import DurationSpec, Job, LobeSpec
from analysis.lobe.result import Lobe, same_lift
from analysis.lobe.timing import centerline_disagreement

# The events that a maker gives belong to a curve whose centerline lies within this; exchanged readings are many times further
# off.
DISAGREE_DEG, FITS_DEG = 15.0, 8.0
# Where lobes stand: centerlines so far from overlap TDC, and both of them early or late by no more (common practice). Two that lie
# this near to each other are one.
NEAREST_DEG, FURTHEST_DEG, ADVANCE_DEG, SAME_DEG = 85.0, 135.0, 20.0, 15.0


@rule("wrong-valve", DOUBT, "*")
def wrong_place(seen: tuple[Swept, ...], job: Job) -> Seen | None:
    """Lobes that stand where no camshaft has them, or where the other valve's does."""
    latest = {swept.sweep.stood_on: swept for swept in seen}
    places: dict[str, float] = {valve: latest[valve].peak_deg for valve in ("intake", "exhaust") if valve in latest}
    if not places or _possible(places):
        return None
    where = " and ".join(f"the {valve} lobe peaks {_in_words(deg)}" for valve, deg in places.items())
    explained = [cause for cause, change in _explanations(job) if _possible(change(places))]
    if len(places) == 2 and abs(_turned(places["intake"] - places["exhaust"])) < SAME_DEG:
        explained = ["The indicator stood on the same valve for both captures, so that one lobe was swept twice"]
    cause = ", or: ".join(explained) or (
        "The encoder's clamp slipped after TDC was found, TDC is wrong, or the camshaft is fitted many teeth off"
    )
    return Seen(
        f"As recorded, {where}. No camshaft has its centerlines outside {NEAREST_DEG:.0f} to {FURTHEST_DEG:.0f} degrees from overlap "
        f"TDC, or both of them early or late by more than {ADVANCE_DEG:.0f}.",
        f"{cause}.",
        "Check which before anything is changed, and record again what was wrong.",
    )


def _possible(places: Mapping[str, float]) -> bool:
    """Whether lobes may stand there (crank degrees from overlap TDC, to a turn)."""
    away = [_turned(deg if valve == "intake" else -deg) for valve, deg in places.items()]
    if not all(NEAREST_DEG <= deg <= FURTHEST_DEG for deg in away):
        return False
    return len(away) < 2 or abs(away[1] - away[0]) / 2 <= ADVANCE_DEG


Change = Callable[[Mapping[str, float]], dict[str, float]]


def _explanations(job: Job) -> Iterator[tuple[str, Change]]:
    """What may have gone wrong, the likelier first, and where the lobes stand then."""
    half = "TDC was found half a turn off, at the bottom of the stroke or on another cylinder"
    if job.engine.cylinders > 1:
        half += ", or another cylinder was swept (180 degrees apart)"
    yield half, _shifted(180.0)
    yield "The captures were exchanged: the indicator stood on the other valve", _exchanged
    yield "The engine was turned backward, against its direction of rotation", _mirrored
    for apart in sorted({round(720.0 * k / job.engine.cylinders) % 360 for k in range(1, job.engine.cylinders)} - {0, 180}):
        yield f"Another cylinder was swept, whose TDC comes {apart} degrees later", _shifted(-apart)


def _shifted(by_deg: float) -> Change:
    return lambda places: {valve: deg + by_deg for valve, deg in places.items()}


def _exchanged(places: Mapping[str, float]) -> dict[str, float]:
    return {"exhaust" if valve == "intake" else "intake": deg for valve, deg in places.items()}


def _mirrored(places: Mapping[str, float]) -> dict[str, float]:
    return {valve: -deg for valve, deg in places.items()}


def _turned(deg: float) -> float:
    """An angle to a turn, -180 to 180."""
    return (deg + 180.0) % 360.0 - 180.0


def _in_words(deg: float) -> str:
    return f"{abs(_turned(deg)):.0f} degrees {'after' if _turned(deg) > 0 else 'before'} TDC"


@rule("direction-unproven", NOTE)
def direction_unproven(seen: tuple[Swept, ...], job: Job) -> Seen | None:
    """One lobe looks the same whichever way the engine turns."""
    if job.rig.direction != "auto" or len({swept.valve for swept in seen}) > 1:
        return None
    return Seen(
        "Only one lobe was swept, so that nothing shows whether the engine was turned in its direction of rotation.",
        do="Write direction in job.toml, or sweep the other valve too.",
    )


@rule("events-disagree", NOTE)
def events_disagree(lobe: Lobe, spec: LobeSpec) -> Iterator[Seen]:
    """Events on the cam card that cannot belong to this curve, or were noted the wrong way round."""
    valve = lobe.valve
    rows: tuple[DurationSpec, ...] = getattr(spec, "duration", ())
    for row in rows:
        if row.opens is None or row.closes is None:
            continue
        middle = _middle(lobe, row)
        # From the dead center that closing is counted half a turn after.
        shown = middle if valve == "intake" else middle + 180.0
        before, after = (-row.opens, row.closes - 180.0) if valve == "intake" else (-180.0 - row.opens, row.closes)
        off = centerline_disagreement(before, after, shown)
        exchanged = centerline_disagreement(after, before, shown)
        if abs(off) <= DISAGREE_DEG:
            continue
        side = "after" if off > 0 else "before"
        cause = ""
        if abs(exchanged) < FITS_DEG:
            cause = f"Exchanged they fit within {abs(exchanged):.0f} degrees: they were probably noted the wrong way round."
        yield Seen(
            f"The events given for the {valve} at {row.lift_mm:g} mm put its centerline {abs(off):.1f} degrees {side} where the "
            "lift curve has it.",
            cause,
        )


def _middle(lobe: Lobe, row: DurationSpec) -> float:
    """Middle of the measured events at a row's lift, which an asymmetric lobe does not have at its peak; else the peak."""
    for event in lobe.events:
        if same_lift(event, row):
            return (event.opens.value + event.closes.value) / 2
    return lobe.centerlines.peak.value
