"""Sweep against sweep: a re-check after a change against what was predicted, and the rocker ratio from two places of one lobe."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.budget import NORMAL_95, Quantity, Source, combine, expanded
from analysis.decision.flanks import flanks_of
from analysis.decision.verdict import Verdict
from analysis.errors import DataError
from analysis.lobe import MeasuredLobe
from analysis.measure import Measured
from analysis.samples import Floats

_LEAST_DEG = 2.0  # below that apart, two flanks are the top of the nose


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


def recheck(before: Measured, after: Measured, advance_deg: float | Mapping[str, float]) -> tuple[Again, ...]:
    """Every event, duration, centerline, lift, separation and advance of both measurements, the camshaft having been advanced by
    `advance_deg` crank degrees in between (one number, or one for each valve). Raises DataError if they have nothing in common.

    The two measurements are taken as independent: each found TDC for itself. What they share makes them agree better than said.
    """
    by = dict(advance_deg) if isinstance(advance_deg, Mapping) else dict.fromkeys(("intake", "exhaust"), advance_deg)
    found = []
    for name, old in before.quantities.items():
        change, new = _change(name, by), after.quantities.get(name)
        if change is None or new is None:
            continue
        predicted = old.value + change
        u95 = expanded(combine((1.0, _apart(new)), (-1.0, old)))
        found.append(Again(name, old, predicted, new, u95, "within" if abs(new.value - predicted) <= u95 else "outside"))
    if not found:
        raise DataError("the two measurements have no lobe in common", do="Sweep the same valve again after the change")
    return tuple(found)


def _change(name: str, by: Mapping[str, float]) -> float | None:
    """What advancing the lobes adds to a quantity; None for those that are no part of the comparison."""
    intake, exhaust = by.get("intake", 0.0), by.get("exhaust", 0.0)
    if name in ("separation", "advance"):
        return (exhaust - intake) / 2 if name == "separation" else (intake + exhaust) / 2
    valve, _, rest = name.partition(" ")
    kind, _, more = rest.partition(" ")
    if kind in ("opens", "closes") or rest == "centerline":
        return -by.get(valve, 0.0)
    return 0.0 if kind == "duration" or (kind == "peak" and more == "lift") else None


def _apart(quantity: Quantity) -> Quantity:
    """The same with sources of its own."""
    parts = {replace(source, name=f"measured again: {source.name}"): part for source, part in quantity.parts.items()}
    return Quantity(quantity.value, parts)


@dataclass(frozen=True)
class RockerRatio:
    """Valve lift over lobe lift. `lobe_mm`, `ratio` and `u95`: shape (n,), from low lift to full lift."""

    lobe_mm: Floats
    ratio: Floats
    u95: Floats
    at_full_lift: Quantity


def rocker_ratio(at_lobe: MeasuredLobe, at_valve: MeasuredLobe, lash_mm: float, steps: int = 40) -> RockerRatio:
    """The ratio as a function of lift, from a sweep at the lifter and one at the valve of the same lobe, lash put back.

    A lift at the lobe and a lift at the valve belong together where both stand open for equally many degrees, so that an error of
    TDC or of the indicator's lag does not come in.
    """
    lobe, valve = flanks_of(at_lobe), flanks_of(at_valve)
    lifts = np.linspace(max(4 * lobe.floor_mm, 0.1 * lobe.peak_mm), lobe.peak_mm, steps, endpoint=False)
    open_for = np.array([closes - opens for opens, closes in map(lobe.crossing, lifts.tolist())])
    at = np.linspace(2 * valve.floor_mm, valve.peak_mm, 400, endpoint=False)
    spans = np.array([closes - opens for opens, closes in map(valve.crossing, at.tolist())])
    read = ~np.isnan(spans)
    matched = np.interp(-open_for, -spans[read], at[read], left=np.nan, right=np.nan)
    kept = ~np.isnan(matched) & (open_for > _LEAST_DEG)
    ratio = (matched + lash_mm) / lifts
    full = _ratio_of_peaks(at_lobe, at_valve, lash_mm)
    noise = _noise_mm(at_lobe) * ratio + _noise_mm(at_valve)
    u95 = np.hypot(2 * noise / lifts, expanded(full) * np.ones_like(lifts))
    return RockerRatio(lifts[kept], ratio[kept], u95[kept], full)


def _ratio_of_peaks(at_lobe: MeasuredLobe, at_valve: MeasuredLobe, lash_mm: float) -> Quantity:
    lobe, valve = at_lobe.lobe.peak_lobe_lift_mm, at_valve.lobe.peak_lift_mm
    ratio = (valve.value + lash_mm) / lobe.value
    parts = (
        (
            Source("peak lift at the valve"),
            valve.u95 / NORMAL_95 / lobe.value,
        ),
        (Source("peak lift at the lobe"), ratio * lobe.u95 / NORMAL_95 / lobe.value),
    )
    return Quantity(ratio, dict(parts))


def _noise_mm(lobe: MeasuredLobe) -> float:
    """Standard uncertainty of one lift of the fitted curve: its scatter, and what the indicator's step leaves."""
    curve = lobe.swept.curve
    middle = (curve.spline.low + curve.spline.high) / 2
    return math.hypot(float(curve.spline.error(middle)), lobe.common.zero_u_mm, lobe.common.step_mm / 12)
