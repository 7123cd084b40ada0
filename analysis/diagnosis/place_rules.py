"""Rules about where a lobe stands: on which valve, and whether the cam card's events can belong to it."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.base.finding import DOUBT, NOTE
from analysis.curve.sweep import Swept
from analysis.diagnosis.rule import Seen, rule
from analysis.job import DurationSpec, LobeSpec
from analysis.lobe.result import Lobe, same_lift
from analysis.lobe.timing import centerline_disagreement

# The events that a maker gives belong to a curve whose centerline lies within this; exchanged readings are many times further
# off.
DISAGREE_DEG, FITS_DEG = 15.0, 8.0


@rule("wrong-valve", DOUBT, "*")
def wrong_valve(swept: Swept) -> Seen | None:
    """A lobe that stands where the other valve's does."""
    said = swept.sweep.stood_on
    if said not in ("intake", "exhaust") or said == swept.valve:
        return None
    side = "after" if swept.peak_deg > 0 else "before"
    return Seen(
        f"Recorded as the {said} lobe, but it peaks {abs(swept.peak_deg):.0f} degrees {side} overlap TDC like an {swept.valve} lobe.",
        "The indicator stood on the other valve, the engine was turned against its direction of rotation, or TDC was taken half a "
        "turn off.",
        "Check which before anything is changed.",
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
