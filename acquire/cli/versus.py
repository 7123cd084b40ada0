"""A measurement beside what the simulator knows: value, truth, difference, each difference against its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from acquire.simulator.truth import TrueLobe, Truth
from analysis.base.angles import wrap
from analysis.base.quantity import Quantity
from analysis.base.words import fine, plus_minus, value
from analysis.lobe.result import Lobe, Measurement


@dataclass(frozen=True)
class Row:
    """One quantity, measured and true, in one unit. `off` is measured less true."""

    name: str
    measured: Quantity
    true: float
    off: float

    @property
    def inside(self) -> bool:
        """Whether the truth lies within the 95 % expanded uncertainty."""
        return abs(self.off) <= self.measured.u95


def versus(result: Measurement, truth: Truth) -> list[Row]:
    """Every number of `result` that has a truth."""
    # A result's TDC is on the scale of the encoder's edges; a crank that rests at a count stands half a count above its edge.
    count = truth.tdc_count + 0.5
    # A count may stand for any turn: only what is left of whole turns is an error.
    off = (result.tdc.count.value - count + truth.cpr / 2) % truth.cpr - truth.cpr / 2
    rows = [Row("TDC, counts", result.tdc.count, result.tdc.count.value - off, off)]
    for lobe in result.lobes:
        rows += _lobe(lobe, truth.lobe(lobe.valve))
    if result.cam:
        rows.append(_row("lobe separation angle", result.cam.separation, truth.cam.separation_deg))
        rows.append(_row("advance", result.cam.advance, truth.cam.advance_deg))
        if result.cam.overlap and result.cam.overlap_lift_mm == truth.cam.overlap_lift_mm:
            rows.append(_row("overlap", result.cam.overlap, truth.cam.overlap_deg))
    return rows


def table(rows: list[Row]) -> str:
    """The rows as text of at most 80 columns, and how many truths lie inside."""
    head = f"{'':<34}{'measured':>20}{'truth':>12}{'off':>9}"
    lines = [head, *(_line(row) for row in rows)]
    inside = sum(row.inside for row in rows)
    return "\n".join([*lines, f"{inside} of {len(rows)} true values fall inside the 95 % uncertainty; * marks the others"])


def row_json(row: Row) -> dict[str, str | float | bool]:
    """A row for machines."""
    number = {"value": row.measured.value, "u95": row.measured.u95}
    return {"name": row.name, **number, "truth": row.true, "off": row.off, "inside": row.inside}


def _line(row: Row) -> str:
    true, places = value(row.measured.moved(row.true)), fine(row.measured.u95, row.measured.unit)
    return f"{row.name:<34}{plus_minus(row.measured):>20}{true:>12}{row.off:>+9.{places}f}{'' if row.inside else ' *'}"


def _lobe(lobe: Lobe, true: TrueLobe) -> Iterator[Row]:
    name = lobe.valve
    true_events = {(event.lift_mm, event.at): event for event in true.events}
    for event in lobe.events:
        known = true_events.get((event.lift_mm, event.at))
        if known:
            at = f"{name} {event.lift_mm:g} mm"
            yield _angle(f"{at} opens", event.opens, known.opens_deg)
            yield _angle(f"{at} closes", event.closes, known.closes_deg)
            yield _row(f"{at} duration", event.duration, known.duration_deg)
    for way, number in lobe.centerlines.items():
        yield _angle(f"{name} centerline, {way.replace('_', ' ')}", number, true.centerline_by[way])
    yield _row(f"{name} lift at the lobe, mm", lobe.peak_lobe_lift, true.peak_lobe_lift_mm)
    yield _row(f"{name} lift at the valve, mm", lobe.peak_lift, true.peak_lift_mm)
    if lobe.slack:
        yield _row(f"{name} slack", lobe.slack, true.slack_deg)
    if lobe.lag:
        yield _row(f"{name} lag, ms", lobe.lag, true.latency_ms)


def _row(name: str, measured: Quantity, true: float) -> Row:
    return Row(name, measured, true, measured.value - true)


def _angle(name: str, measured: Quantity, true: float) -> Row:
    return Row(name, measured, true, float(wrap(measured.value - true)))
