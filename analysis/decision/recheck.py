"""Sweep against sweep: a re-check after a change against what was predicted, and the rocker ratio from two places of one lobe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Floats
from analysis.decision.flanks import Flanks, flanks_of
from analysis.decision.verdict import Verdict
from analysis.lobe.causes import Place
from analysis.lobe.events import lift_u
from analysis.lobe.result import Entry, Lobe, Measurement

_LEAST_DEG = 2.0  # below that apart, two flanks are the top of the nose
_LEAST_SLOPE = 1e-6  # mm a degree: a flank that stands still tells no lift


@dataclass(frozen=True)
class Again:
    """One number before a change, as predicted after it, and as measured again. `verdict`: "within" if the last two agree within
    the expanded uncertainty of their difference.
    """

    name: str
    before: Quantity
    predicted: float
    after: Quantity
    u95: float
    verdict: Verdict

    @property
    def difference(self) -> float:
        """Measured again less predicted."""
        return self.after.value - self.predicted


def recheck(before: Measurement, after: Measurement, advance_deg: float | Mapping[str, float]) -> tuple[Again, ...]:
    """Every event, duration, centerline, lift, separation and advance of both measurements, the camshaft having been advanced by
    `advance_deg` crank degrees in between (one number, or one for each valve). Raises DataError if they have nothing in common.

    The two measurements are taken as independent: each found TDC for itself. What they share makes them agree better than said.
    """
    by = dict(advance_deg) if isinstance(advance_deg, Mapping) else dict.fromkeys(("intake", "exhaust"), advance_deg)
    found, again = [], after.quantities()
    for entry in before.entries():
        old, change, new = entry.quantity, _change(entry, by), again.get(entry.path)
        if change is None or new is None:
            continue
        predicted = old.value + change
        u95 = (_apart(new) - old).u95
        found.append(Again(entry.name, old, predicted, new, u95, "within" if abs(new.value - predicted) <= u95 else "outside"))
    if not found:
        raise DataError("the two measurements have no lobe in common", do="Sweep the same valve again after the change")
    return tuple(found)


def _change(entry: Entry, by: Mapping[str, float]) -> float | None:
    """What advancing the lobes adds to a quantity; None for those that are no part of the comparison."""
    intake, exhaust = by.get("intake", 0.0), by.get("exhaust", 0.0)
    if entry.kind in ("separation", "advance"):
        return (exhaust - intake) / 2 if entry.kind == "separation" else (intake + exhaust) / 2
    if entry.kind in ("opens", "closes", "centerline"):
        return -by.get(entry.valve, 0.0)
    return 0.0 if entry.kind in ("duration", "peak lift") else None


def _apart(quantity: Quantity) -> Quantity:
    """The same with sources of its own."""
    parts = {replace(source, name=f"measured again: {source.name}"): part for source, part in quantity.parts.items()}
    return replace(quantity, parts=parts)


@dataclass(frozen=True)
class RockerRatio:
    """Valve lift over lobe lift. `lobe_mm`, `ratio` and `u95`: shape (n,), from low lift to full lift."""

    lobe_mm: Floats
    ratio: Floats
    u95: Floats
    at_full_lift: Quantity


def rocker_ratio(at_lobe: Lobe, at_valve: Lobe, lash: Quantity, steps: int = 40) -> RockerRatio:
    """The ratio as a function of lift, from a sweep at the lifter and one at the valve of the same lobe, the `lash` (mm) put back.

    A lift at the lobe and a lift at the valve belong together where both stand open for equally many degrees, so that an error of
    TDC does not come in, and the indicator's lag only as far as the two flanks were passed at different speeds. What is wrong with
    a lift itself weighs the more, the lower the lift.
    """
    lobe, valve = flanks_of(at_lobe), flanks_of(at_valve)
    lifts = np.linspace(max(4 * lobe.floor_mm, 0.1 * lobe.peak_mm), lobe.peak_mm, steps, endpoint=False)
    open_for = np.array([closes - opens for opens, closes in map(lobe.crossing, lifts.tolist())])
    at = np.linspace(2 * valve.floor_mm, valve.peak_mm, 400, endpoint=False)
    spans = np.array([closes - opens for opens, closes in map(valve.crossing, at.tolist())])
    read = ~np.isnan(spans)
    matched = np.interp(-open_for, -spans[read], at[read], left=np.nan, right=np.nan)
    kept = ~np.isnan(matched) & (open_for > _LEAST_DEG)
    pairs = zip(lifts[kept].tolist(), matched[kept].tolist(), strict=True)
    found = [
        _ratio(at_lobe, _lift(at_lobe, lobe, low, "lobe"), _lift(at_valve, valve, high, "valve") + lash) for low, high in pairs
    ]
    full = _ratio(at_lobe, _peak_lift(at_lobe, "lobe"), _peak_lift(at_valve, "valve") + lash)
    values, u95 = np.array([ratio.value for ratio in found]), np.array([ratio.u95 for ratio in found])
    return RockerRatio(lifts[kept], values, u95, full)


def _ratio(at_lobe: Lobe, lobe_mm: Quantity, valve_mm: Quantity) -> Quantity:
    """Valve lift over lobe lift. Both sweeps follow the same cam, so that its runout lifts both alike and drops out; but the lifter's
    zero took up a part of it, and the valve's none: it sits on its seat wherever the base circle goes.
    """
    ratio = valve_mm / lobe_mm
    u = at_lobe.causes.in_zero_mm
    return ratio.with_part(Source("runout of the cam in the zero at the lobe", u=u, unit="mm"), -ratio.value * u / lobe_mm.value)


def _lift(lobe: Lobe, flanks: Flanks, lift_mm: float, place: str) -> Quantity:
    """The lift (mm) at which a lobe stands open for as long as it does: what moves the two flanks (scatter, the indicator's step, its
    lag) counts in the measure in which each tells the time open.
    """
    curve, (opens, closes) = lobe.swept.curve, flanks.crossing(lift_mm)
    wide = 1.0 / np.maximum(np.abs(curve.spline.value(np.array([opens, closes]), 1)), _LEAST_SLOPE)
    share = wide / wide.sum()
    scatter = np.array([lift_u(curve, deg, lobe.causes) for deg in (opens, closes)])
    lift = _read(lobe, lift_mm, float(np.hypot(*(share * scatter))), place)
    faster = float(curve.speed_at(closes) - curve.speed_at(opens))
    return lift.with_part(Source(f"latency of the indicator, at the {place}"), curve.lag.u * faster / float(wide.sum()))


def _peak_lift(lobe: Lobe, place: str) -> Quantity:
    seen = lobe.peak_lobe_lift if place == "lobe" else lobe.peak_lift
    top = lobe.centerlines.peak.value
    return _read(lobe, seen.value, lift_u(lobe.swept.curve, top, lobe.causes, level=True), place)


def _read(lobe: Lobe, lift_mm: float, scatter_mm: float, place: str) -> Quantity:
    """A lift (mm) at the indicator, without the cam's runout. `place`: where the indicator stood; it was set anew for each."""
    off = lobe.causes.off_lift(Place.at_lift(lift_mm), ("zero", "indicator"))
    own = Quantity(0.0, {replace(source, name=f"{source.name}, at the {place}"): part for source, part in off.parts.items()})
    return Quantity(lift_mm).with_part(Source(f"scatter at the {place}"), scatter_mm) - own
