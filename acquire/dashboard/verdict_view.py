"""The result against the specification, as lines: measured, specified, difference, and the word for it."""

from __future__ import annotations

from typing import Final, NamedTuple

from acquire.dashboard.cautioned import cautioned
from acquire.dashboard.decided import ROLES, decided
from acquire.dashboard.large_decision import large_decision
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.text_lines import Line, plain, wrapped
from acquire.procedure.steps import DONE
from analysis.base.finding import doubts
from analysis.base.quantity import Quantity
from analysis.base.words import angle, length, one_sign, plus_minus, signed, with_unit
from analysis.decision.verdict import Verdict, judge
from analysis.job import DurationSpec, Job
from analysis.live.partial import Passed
from analysis.lobe.result import Lobe, same_lift
from analysis.report.in_doubt import of_event
from analysis.report.lobe_table import lobe_table, lobes_of
from analysis.report.recheck_table import recheck_table

_ONCE_MOVED: Final = "Timing set moved? Press m: only what that has changed is swept again, beside what was predicted."
_LEAST_WIDE: Final = 100  # columns from which on there is room for words


class _Cells(NamedTuple):
    """How wide the table's cells are, and how it marks what is outside."""

    lift: int
    event: int
    outside: str
    legend: str


_WIDE: Final = _Cells(14, 28, " OUT", "? inconclusive")
_NARROW: Final = _Cells(9, 25, "!", "! OUT  ?")


def specified(job: Job, valve: str, event: Passed) -> DurationSpec | None:
    """What the maker says of an event's checking lift, if anything."""
    rows: tuple[DurationSpec, ...] = job.specification.of(valve).duration
    return next((row for row in rows if same_lift(row, event)), None)


def event_table(picture: Snapshot, valve: str, events: tuple[Passed, ...], width: int) -> list[Line]:
    """Events as they are passed: each checking lift with what is known, and the difference to the specification."""
    units, at = picture.job.measure.units, picture.job.measure.checking_at
    cells = _WIDE if width >= _LEAST_WIDE else _NARROW
    head = f" {f'{units}, {at}':<{cells.lift}}{'opens':<{cells.event}}{'closes':<{cells.event}}duration"
    lines: list[Line] = [((head, "strong"), (f"   {cells.legend}", "dim"))]
    known = {(event.lift_mm, event.at): event for event in events}
    allowed = picture.job.specification.tolerance
    findings = picture.result.findings if picture.result is not None else ()
    for mm in picture.job.measure.checking_lifts_mm:
        event = known.get((mm, at), Passed(mm, at, None, None, None))
        row = specified(picture.job, valve, event)
        maker = (None, None, None) if row is None else (row.opens, row.closes, row.deg)
        line: list[tuple[str, str]] = [(f" {length(mm, units):<{cells.lift}}", "plain")]
        for kind, number, wanted, within in (
            ("opens", event.opens, maker[0], allowed.event_deg),
            ("closes", event.closes, maker[1], allowed.event_deg),
            ("duration", event.duration, maker[2], allowed.duration_deg),
        ):
            text = "" if number is None else one_sign(plus_minus(number))
            doubtful = bool(doubts(findings, of_event(valve, mm, kind)))
            line += _cell(text, number, wanted, within, allowed.guard_band_factor, cells, doubtful)
        lines.append(line)
    return lines


def _cell(
    text: str,
    number: Quantity | None,
    wanted: float | None,
    allowed: float,
    guard_band_factor: float,
    cells: _Cells,
    doubtful: bool,
) -> list[tuple[str, str]]:
    if number is None:
        return [(f"{'·':<{cells.event}}", "dim")]
    if wanted is None:
        return [(f"{text:<{cells.event}}", "plain")]
    off, role = _off(number, wanted, allowed, guard_band_factor, doubtful, cells.outside)
    return [(f"{text} ", "plain"), (f"{off + ' ':<{max(1, cells.event - 1 - len(text))}}", role)]


def _off(
    number: Quantity, wanted: float, allowed: float, guard_band_factor: float, doubtful: bool, outside: str = " OUT"
) -> tuple[str, str]:
    """The difference, marked where it is outside or where that cannot be told: the rule of the verdict (analysis.decision)."""
    off = number - wanted
    found: Verdict = "inconclusive" if doubtful else judge(off.value, off.u95, -allowed, allowed, guard_band_factor)
    word = {"outside": outside, "cannot tell": " ?", "inconclusive": " ?"}.get(found, "")
    return f"{signed(off)}{word}", ROLES[found]


def verdict(picture: Snapshot, width: int, height: int = 24) -> list[Line]:
    """The decision as large as `height` lines allow, the verdict and what to change, then the result so far, lobe by lobe."""
    result = picture.result
    if result is None:
        return [(), *wrapped(picture.waiting_for or "The result is being worked out.", width)]
    valve = "" if picture.place.step == DONE else picture.place.valve
    shown = [lobe for lobe in result.lobes if valve in ("", "both", lobe.valve)]
    lines: list[Line] = []
    if picture.decision is not None:
        lines += [*large_decision(picture.decision, valve, width, height), *decided(picture.decision, valve, width)]
        if picture.decision.correction is not None and picture.decision.correction.wanted and not picture.played:
            lines += wrapped(_ONCE_MOVED, width, "strong")
        lines += _several(picture)
        lines += _again(picture, valve, width)
    else:
        lines += wrapped(picture.waiting_for or "The verdict is being worked out.", width, "dim")
    for overridden in picture.overrides:
        lines += wrapped(f"! Overridden: {overridden}", width, "warn")
    lines.append(())
    for lobe in shown or result.lobes:
        lines += [*_lobe(picture, lobe, width), ()]
    if result.cam is not None:
        cam, spec = result.cam, picture.job.specification.cam
        lines.append(plain(f" LSA {one_sign(with_unit(cam.separation))}{_given(spec.separation_deg)}"))
        lines.append(plain(f" advance {one_sign(plus_minus(cam.advance))}{_given(spec.advance_deg, cam.advance.place)}"))
    for text in cautioned(result.findings, valve):
        lines += wrapped(f"! {text}", width, "warn")
    return lines


def _several(picture: Snapshot) -> list[Line]:
    """At the end of several cylinders the table of all lobes."""
    decision = picture.decision
    if decision is None or picture.place.step != DONE or not decision.others:
        return []
    rows = lobes_of(decision)
    words = [(f" {line}".rstrip(), "plain") for line in lobe_table(decision.job, rows, one_sign)]
    return [(), ((words[0][0], "strong"),), *((word,) for word in words[1:])]


def _again(picture: Snapshot, valve: str, width: int) -> list[Line]:
    """After the timing set was moved: measured beside predicted."""
    shown = [each for each in picture.again if valve in ("", "both") or each.name.startswith(valve)]
    if not shown:
        return []
    agree = sum(each.verdict == "within" for each in shown)
    said = f"After the timing set was moved: {agree} of {len(shown)} numbers are as predicted; * marks the others."
    table = recheck_table(shown, picture.job.measure.units)
    return [(), *wrapped(said, width, "good" if agree == len(shown) else "warn"), *(plain(f" {line}") for line in table)]


def _lobe(picture: Snapshot, lobe: Lobe, width: int) -> list[Line]:
    spec = picture.job.specification.of(lobe.valve)
    passes = "1 pass" if lobe.passes == 1 else f"{lobe.passes} passes"
    lines: list[Line] = [((f" {lobe.valve.upper()}, {passes}", "strong"),)]
    events = tuple(Passed(e.lift_mm, e.at, e.opens, e.closes, e.duration) for e in lobe.events)
    lines += event_table(picture, lobe.valve, events, width)
    line: list[tuple[str, str]] = [(f" centerline {one_sign(plus_minus(lobe.centerline))}", "plain")]
    if spec.centerline_deg is not None:
        wanted = spec.centerline_deg if lobe.valve == "intake" else -spec.centerline_deg
        allowed = picture.job.specification.tolerance
        doubtful = bool(doubts(picture.result.findings, (f"{lobe.valve}.centerline", "tdc"))) if picture.result else False
        off, role = _off(lobe.centerline, wanted, allowed.centerline_deg, allowed.guard_band_factor, doubtful)
        line += [(f", specified {angle(wanted, lobe.centerline.place)}: ", "plain"), (off, role)]
    lines.append(line)
    units = picture.job.measure.units
    at_valve, at_lobe = (one_sign(with_unit(lift, units)) for lift in (lobe.peak_lift, lobe.peak_lobe_lift))
    lines.append(plain(f" peak lift {at_valve} at the valve, {at_lobe} at the lobe"))
    return lines


def _given(deg: float | None, place: str = "") -> str:
    return "" if deg is None else f", specified {angle(deg, place)}"
