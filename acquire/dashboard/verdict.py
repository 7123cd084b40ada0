"""The result against the specification, as lines: measured, specified, difference, and the word for it."""

from __future__ import annotations

import textwrap
from typing import Final

from acquire.dashboard.lines import Line, plain
from acquire.dashboard.snapshot import Snapshot
from acquire.steps import DONE
from analysis import words
from analysis.angles import Happening, label
from analysis.job import DurationSpec, Job, LobeSpec
from analysis.live.result import Passed
from analysis.results import Lobe, Number
from analysis.words import decimals, lift

_SAME_LIFT_MM: Final = 0.005
_EVENTS: Final[dict[str, tuple[Happening, Happening]]] = {
    "intake": ("intake opens", "intake closes"),
    "exhaust": ("exhaust opens", "exhaust closes"),
}
_CENTERLINE: Final[dict[str, Happening]] = {"intake": "intake centerline", "exhaust": "exhaust centerline"}


def plus_minus(number: Number, scale: float = 1.0) -> str:
    """ "106.02 ±0.12": the sheet's words, one sign shorter."""
    return words.plus_minus(number, scale).replace("+/-", "±")


def angle(number: Number, happening: Happening) -> str:
    """ "17.02 BTDC ±0.12"."""
    return words.angle(number, happening).replace("+/-", "±")


def spec_of(job: Job, valve: str) -> LobeSpec:
    """What the maker says of a valve's lobe."""
    return job.specification.exhaust if valve == "exhaust" else job.specification.intake


def specified(job: Job, valve: str, event: Passed) -> DurationSpec | None:
    """What the maker says of an event's checking lift, if anything."""
    rows: tuple[DurationSpec, ...] = getattr(spec_of(job, valve), "duration", ())
    return next((row for row in rows if row.at == event.at and abs(row.lift_mm - event.lift_mm) < _SAME_LIFT_MM), None)


def event_table(picture: Snapshot, valve: str, events: tuple[Passed, ...]) -> list[Line]:
    """Events as they are passed: each checking lift with what is known, and the difference to the specification."""
    units = picture.job.measure.units
    opens, closes = _EVENTS.get(valve, _EVENTS["intake"])
    lines: list[Line] = [((f" {'lift ' + units:<12} {'opens':<27} {'closes':<27} {'duration':<12}", "strong"),)]
    known = {(event.lift_mm, event.at): event for event in events}
    at = picture.job.measure.checking_at
    for mm in picture.job.measure.checking_lifts_mm:
        event = known.get((mm, at), Passed(mm, at, None, None, None))
        maker = specified(picture.job, valve, event)
        tolerance = picture.job.specification.tolerance
        line: list[tuple[str, str]] = [(f" {lift(mm, units):>6} {at:<5} ", "plain")]
        line += _cell(event.opens_deg, opens, None if maker is None else maker.opens, tolerance.event_deg)
        line += _cell(event.closes_deg, closes, None if maker is None else maker.closes, tolerance.event_deg)
        line += _duration(event.duration_deg, None if maker is None else maker.deg, tolerance.duration_deg)
        lines.append(line)
    return lines


def _cell(number: Number | None, happening: Happening, wanted: float | None, tolerance: float) -> list[tuple[str, str]]:
    if number is None:
        return [(f"{'·':<28}", "dim")]
    text, role = angle(number, happening), "plain"
    if wanted is None:
        return [(f"{text:<28}", role)]
    off, role = _off(number, wanted, tolerance)
    return [(f"{text} ", "plain"), (f"{off:<{max(1, 27 - len(text))}}", role)]


def _duration(number: Number | None, wanted: float | None, tolerance: float) -> list[tuple[str, str]]:
    if number is None:
        return [("·", "dim")]
    if wanted is None:
        return [(plus_minus(number), "plain")]
    off, role = _off(number, wanted, tolerance)
    return [(f"{plus_minus(number)} ", "plain"), (off, role)]


def _duration_text(number: Number) -> str:
    return plus_minus(number).replace("+/-", "±")


def _off(number: Number, wanted: float, tolerance: float) -> tuple[str, str]:
    """The difference, marked where it is out of tolerance."""
    off = number.value - wanted
    out = abs(off) > tolerance
    return f"{off + 0.0:+.{decimals(number.u95)}f}{' OUT' if out else ''}", "bad" if out else "good"


def verdict(picture: Snapshot, width: int) -> list[Line]:
    """The result so far, lobe by lobe."""
    result = picture.result
    if result is None:
        return [(), *_wrapped(picture.waiting_for or "The result is being worked out.", width)]
    shown = [lobe for lobe in result.lobes if picture.place.step == DONE or picture.place.valve in (lobe.valve, "both")]
    lines: list[Line] = []
    for lobe in shown or result.lobes:
        lines += [*_lobe(picture, lobe), ()]
    if result.cam is not None:
        cam, spec = result.cam, picture.job.specification.cam
        word = "advanced" if cam.advance_deg.value >= 0 else "retarded"
        lines.append(plain(f" separation {plus_minus(cam.separation_deg)} cam deg{_given(spec.separation_deg)}"))
        lines.append(
            plain(
                f" advance {plus_minus(Number(abs(cam.advance_deg.value), cam.advance_deg.u95))} {word}{_given(spec.advance_deg)}"
            )
        )
    for caution in result.warnings:
        lines += _wrapped(f"! {caution.text}", width, "warn")
    return lines


def _lobe(picture: Snapshot, lobe: Lobe) -> list[Line]:
    spec = spec_of(picture.job, lobe.valve)
    happening = _CENTERLINE[lobe.valve]
    lines: list[Line] = [((f" {lobe.valve.upper()}, {lobe.passes} passes", "strong"),)]
    events = tuple(Passed(e.lift_mm, e.at, e.opens_deg, e.closes_deg, e.duration_deg) for e in lobe.events)
    lines += event_table(picture, lobe.valve, events)
    line: list[tuple[str, str]] = [(f" centerline {angle(lobe.centerline_deg, happening)}", "plain")]
    if spec.centerline_deg is not None:
        wanted = spec.centerline_deg if lobe.valve == "intake" else -spec.centerline_deg
        off, role = _off(lobe.centerline_deg, wanted, picture.job.specification.tolerance.centerline_deg)
        line += [(f", specified {label(wanted, happening)}: ", "plain"), (off, role)]
    lines.append(line)
    units = picture.job.measure.units
    scale = 25.4 if units == "in" else 1.0
    at_valve, at_lobe = plus_minus(lobe.peak_lift_mm, scale), plus_minus(lobe.peak_lobe_lift_mm, scale)
    lines.append(plain(f" peak lift {at_valve} {units} at the valve, {at_lobe} {units} at the lobe"))
    return lines


def _given(deg: float | None) -> str:
    return "" if deg is None else f", specified {deg:g}"


def _wrapped(text: str, width: int, role: str = "plain") -> list[Line]:
    return [((f" {line}", role),) for line in textwrap.wrap(text, max(20, width - 2))]
