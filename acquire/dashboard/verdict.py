"""The result against the specification, as lines: measured, specified, difference, and the word for it."""

from __future__ import annotations

from typing import Final, NamedTuple

from acquire.dashboard.cautioned import cautioned
from acquire.dashboard.decided import ROLES, decided
from acquire.dashboard.lines import Line, plain, wrapped
from acquire.dashboard.snapshot import Snapshot
from acquire.procedure.steps import DONE
from analysis.base import words
from analysis.base.angles import Happening, label
from analysis.base.quantity import Number
from analysis.base.words import lift
from analysis.decision.verdict import judge
from analysis.job import DurationSpec, Job, LobeSpec
from analysis.live.partial import Passed
from analysis.lobe.result import Lobe, same_lift
from analysis.report.sentences import fine, measured_angle

_LEAST_WIDE: Final = 100  # columns from which on there is room for words


class _Cells(NamedTuple):
    """How wide the table's cells are, and how it marks what is outside."""

    lift: int
    event: int
    outside: str
    legend: str


_WIDE: Final = _Cells(14, 28, " OUT", "? cannot tell")
_NARROW: Final = _Cells(9, 25, "!", "! OUT  ?")
_EVENTS: Final[dict[str, tuple[Happening, Happening]]] = {
    "intake": ("intake opens", "intake closes"),
    "exhaust": ("exhaust opens", "exhaust closes"),
}
_CENTERLINE: Final[dict[str, Happening]] = {"intake": "intake centerline", "exhaust": "exhaust centerline"}


def plus_minus(number: Number, scale: float = 1.0) -> str:
    """ "106.02 ±0.12": the sheet's words, one sign shorter."""
    return words.plus_minus(number, scale).replace("+/-", "±")


def angle(number: Number, happening: Happening | None = None) -> str:
    """ "17.02 BTDC ±0.12", no finer than anybody sets; without a happening "240.12 ±0.16"."""
    return measured_angle(number, happening).replace("+/-", "±")


def spec_of(job: Job, valve: str) -> LobeSpec:
    """What the maker says of a valve's lobe."""
    return job.specification.exhaust if valve == "exhaust" else job.specification.intake


def specified(job: Job, valve: str, event: Passed) -> DurationSpec | None:
    """What the maker says of an event's checking lift, if anything."""
    rows: tuple[DurationSpec, ...] = getattr(spec_of(job, valve), "duration", ())
    return next((row for row in rows if same_lift(row, event)), None)


def event_table(picture: Snapshot, valve: str, events: tuple[Passed, ...], width: int) -> list[Line]:
    """Events as they are passed: each checking lift with what is known, and the difference to the specification."""
    units, at = picture.job.measure.units, picture.job.measure.checking_at
    opens, closes = _EVENTS.get(valve, _EVENTS["intake"])
    cells = _WIDE if width >= _LEAST_WIDE else _NARROW
    head = f" {f'{units}, {at}':<{cells.lift}}{'opens':<{cells.event}}{'closes':<{cells.event}}duration"
    lines: list[Line] = [((head, "strong"), (f"   {cells.legend}", "dim"))]
    known = {(event.lift_mm, event.at): event for event in events}
    allowed = picture.job.specification.tolerance
    for mm in picture.job.measure.checking_lifts_mm:
        event = known.get((mm, at), Passed(mm, at, None, None, None))
        row = specified(picture.job, valve, event)
        maker = (None, None, None) if row is None else (row.opens, row.closes, row.deg)
        line: list[tuple[str, str]] = [(f" {lift(mm, units):<{cells.lift}}", "plain")]
        for number, happening, wanted in zip((event.opens_deg, event.closes_deg), (opens, closes), maker, strict=False):
            text = "" if number is None else angle(number, happening)
            line += _cell(text, number, wanted, allowed.event_deg, allowed.guard_band, cells)
        text = "" if event.duration_deg is None else angle(event.duration_deg)
        line += _cell(text, event.duration_deg, maker[2], allowed.duration_deg, allowed.guard_band, cells)
        lines.append(line)
    return lines


def _cell(
    text: str, number: Number | None, wanted: float | None, allowed: float, guard_band: float, cells: _Cells
) -> list[tuple[str, str]]:
    if number is None:
        return [(f"{'·':<{cells.event}}", "dim")]
    if wanted is None:
        return [(f"{text:<{cells.event}}", "plain")]
    off, role = _off(number, wanted, allowed, guard_band, cells.outside)
    return [(f"{text} ", "plain"), (f"{off + ' ':<{max(1, cells.event - 1 - len(text))}}", role)]


def _off(number: Number, wanted: float, allowed: float, guard_band: float, outside: str = " OUT") -> tuple[str, str]:
    """The difference, marked where it is outside or where that cannot be told: the rule of the verdict (analysis.decision)."""
    off = number.value - wanted
    found = judge(off, number.u95, -allowed, allowed, guard_band)
    word = {"outside": outside, "cannot tell": " ?"}.get(found, "")
    return f"{off + 0.0:+.{fine(number.u95, 'deg')}f}{word}", ROLES[found]


def verdict(picture: Snapshot, width: int) -> list[Line]:
    """The verdict and what to change, then the result so far, lobe by lobe."""
    result = picture.result
    if result is None:
        return [(), *wrapped(picture.waiting_for or "The result is being worked out.", width)]
    valve = "" if picture.place.step == DONE else picture.place.valve
    shown = [lobe for lobe in result.lobes if valve in ("", "both", lobe.valve)]
    lines: list[Line] = []
    if picture.decision is not None:
        lines += decided(picture.decision, valve, width)
    else:
        lines += wrapped(picture.waiting_for or "The verdict is being worked out.", width, "dim")
    for overridden in picture.overrides:
        lines += wrapped(f"! Overridden: {overridden}", width, "warn")
    lines.append(())
    for lobe in shown or result.lobes:
        lines += [*_lobe(picture, lobe, width), ()]
    if result.cam is not None:
        cam, spec = result.cam, picture.job.specification.cam
        word = "advanced" if cam.advance_deg.value >= 0 else "retarded"
        lines.append(plain(f" lobe separation angle {plus_minus(cam.separation_deg)} cam deg{_given(spec.separation_deg)}"))
        lines.append(
            plain(
                f" advance {plus_minus(Number(abs(cam.advance_deg.value), cam.advance_deg.u95))} {word}{_given(spec.advance_deg)}"
            )
        )
    for text in cautioned(result.warnings, valve):
        lines += wrapped(f"! {text}", width, "warn")
    return lines


def _lobe(picture: Snapshot, lobe: Lobe, width: int) -> list[Line]:
    spec = spec_of(picture.job, lobe.valve)
    happening = _CENTERLINE[lobe.valve]
    passes = "1 pass" if lobe.passes == 1 else f"{lobe.passes} passes"
    lines: list[Line] = [((f" {lobe.valve.upper()}, {passes}", "strong"),)]
    events = tuple(Passed(e.lift_mm, e.at, e.opens_deg, e.closes_deg, e.duration_deg) for e in lobe.events)
    lines += event_table(picture, lobe.valve, events, width)
    line: list[tuple[str, str]] = [(f" centerline {angle(lobe.centerline_deg, happening)}", "plain")]
    if spec.centerline_deg is not None:
        wanted = spec.centerline_deg if lobe.valve == "intake" else -spec.centerline_deg
        allowed = picture.job.specification.tolerance
        off, role = _off(lobe.centerline_deg, wanted, allowed.centerline_deg, allowed.guard_band)
        line += [(f", specified {label(wanted, happening)}: ", "plain"), (off, role)]
    lines.append(line)
    units = picture.job.measure.units
    scale = 25.4 if units == "in" else 1.0
    at_valve, at_lobe = plus_minus(lobe.peak_lift_mm, scale), plus_minus(lobe.peak_lobe_lift_mm, scale)
    lines.append(plain(f" peak lift {at_valve} {units} at the valve, {at_lobe} {units} at the lobe"))
    return lines


def _given(deg: float | None) -> str:
    return "" if deg is None else f", specified {deg:g}"
