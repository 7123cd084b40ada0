"""Profiles laid over each other: how the lobe of one sweep differs from that of another, once it is turned onto it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import ndtri

from analysis.base.quantity import Quantity, linear_combination
from analysis.base.samples import Bools, Floats
from analysis.compare.shift import shift_between
from analysis.lobe.causes import Cause, Place
from analysis.lobe.events import lift_u
from analysis.lobe.result import Lobe

GRID_DEG = 2.0
ROUNDS = 3
# Of the greatest lift: above it nothing but the lobe itself shapes the profile.
WELL_OPEN = 0.2
# By how much at most two profiles that are alike differ anywhere, by chance, in 19 of 20 overlays.
_BY_CHANCE = 0.05

Kind = Literal["alike", "height", "scale", "shape"]


@dataclass(frozen=True)
class Overlay:
    """The profile of a second sweep against that of a first, at the indicator.

    `later`: crank degrees by which the second comes later, each counted from its own overlap TDC; that is taken out. `deg`,
    `lift_mm`: angles from overlap TDC and lifts of the first; `higher_mm`, `u_mm`: by how much the second is higher there, and
    its standard uncertainty. `limit_mm`: what two profiles that are alike keep within everywhere, 19 times in 20, and never less
    than the coarser indicator's step. Shape (n,).
    """

    later: Quantity
    deg: Floats
    lift_mm: Floats
    higher_mm: Floats
    u_mm: Floats
    limit_mm: Floats

    @property
    def kind(self) -> Kind:
        """What they differ in: "alike" if nowhere by more than the uncertainty explains; "height" if one lies higher by the same
        wherever the valve is well open; "scale" if by the same share of the lift; else "shape".
        """
        if np.all(np.abs(self.higher_mm) <= self.limit_mm):
            return "alike"
        left = (self.higher_mm - self.height_mm, self.higher_mm - self.share * self.lift_mm)
        flat, grown = (bool(np.all(np.abs(mm) <= self.limit_mm, where=self.open)) for mm in left)
        return "height" if flat else "scale" if grown else "shape"

    @property
    def height_mm(self) -> float:
        """By how much the second lies higher where the valve is well open, weighted mean."""
        return float(np.average(self.higher_mm[self.open], weights=self.u_mm[self.open] ** -2))

    @property
    def share(self) -> float:
        """By which share of the lift the second is higher, weighted mean."""
        weight = (self.lift_mm / self.u_mm)[self.open] ** 2
        return float(np.average((self.higher_mm / self.lift_mm)[self.open], weights=weight))

    @property
    def open(self) -> Bools:
        """Where the valve is well open: lash, ramps and the follower's seating are left out. Shape (n,)."""
        return np.asarray(self.lift_mm >= WELL_OPEN * self.lift_mm.max())

    @property
    def clearest(self) -> int:
        """Where they differ most clearly, as a place in the arrays."""
        return int(np.argmax(np.abs(self.higher_mm) / self.limit_mm))


def overlay(first: Lobe, second: Lobe) -> Overlay:
    """Turn the profile of the second sweep onto that of the first and take the difference.

    Between two sweeps of one valve of one cylinder the indicator is taken not to have been set anew: what it and its leaning do
    to the lift is the same in both. Between valves or cylinders each sweep has its own, and its own runout and place on the
    encoder. Raises DataError if the two have too little of a lobe in common.
    """
    apart = _apart(first, second)
    causes = _of_one(first, "first", apart), _of_one(second, "second", apart)
    later = shift_between(first.swept.curve, second.swept.curve, (_zero_u_mm(first), _zero_u_mm(second)), causes)
    chance = _by_chance(first, second)
    found = _turned(first, second, _with_tdc(later, first, second), chance)
    for _ in range(ROUNDS):
        if found.kind == "alike":
            break
        # What differs in height or size pulls at a shift that knows of no such difference.
        slope = first.swept.curve.spline.value(found.deg, 1)
        ways = np.column_stack((slope, np.ones_like(slope), found.lift_mm)) / found.u_mm[:, None]
        move = -float(np.linalg.lstsq(ways[found.open], (found.higher_mm / found.u_mm)[found.open])[0][0])
        found = _turned(first, second, found.later + move, chance)
    return found


def _by_chance(first: Lobe, second: Lobe) -> float:
    """How many standard uncertainties profiles that are alike differ by at most: Bonferroni, over as many places as the curves are
    free to differ in.
    """
    curves = (first.swept.curve, second.swept.curve)
    places = max(c.spline.effective_dof(c.pooled.deg, c.pooled.weight) for c in curves)
    return float(-ndtri(_BY_CHANCE / 2 / places))


def _turned(first: Lobe, second: Lobe, later: Quantity, chance: float) -> Overlay:
    """The second profile turned back by `later`, against the first; `chance` as `_by_chance` says."""
    a, b = first.swept.curve, second.swept.curve
    low = max(a.spline.low, b.spline.low - later.value)
    high = min(a.spline.high, b.spline.high - later.value)
    deg = np.arange(GRID_DEG * math.ceil(low / GRID_DEG), high, GRID_DEG)
    lift = a.spline.value(deg)
    variance = _own_variance(first, deg) + _own_variance(second, deg + later.value)
    if _apart(first, second):
        variance += _set_variance(first, deg) + _set_variance(second, deg + later.value)
        variance += _encoder_variance(first, second, deg, later.value)
    u = np.sqrt(variance)
    step = max(first.causes.step_mm, second.causes.step_mm)
    return Overlay(later, deg, lift, b.spline.value(deg + later.value) - lift, u, np.maximum(chance * u, step))


def _apart(first: Lobe, second: Lobe) -> bool:
    """Whether the two sweeps are of two lobes."""
    return (first.cylinder, first.valve) != (second.cylinder, second.valve)


def _of_one(lobe: Lobe, word: str, apart: bool) -> tuple[Cause, ...]:
    """What the encoder does to a sweep, and to that of two lobes the camshaft, which runs out otherwise at each."""
    encoder, runout = (lobe.causes.of(kind) for kind in ("encoder", "runout"))
    return encoder + tuple(replace(cause, quantity=_named(cause.quantity, word)) for cause in runout) if apart else encoder


def _named(quantity: Quantity, word: str) -> Quantity:
    """With sources of the sweep's own."""
    parts = {replace(source, name=f"{source.name}, {word} sweep"): part for source, part in quantity.parts.items()}
    return Quantity(quantity.value, parts)


def _own_variance(lobe: Lobe, deg: Floats) -> Floats:
    """Variance (mm^2) of the profile that is the sweep's own: scatter, the indicator's step, the zero, and what the lag does where
    the crank went faster or slower than on the average (the rest of it is a shift).
    """
    curve = lobe.swept.curve
    at = Place.on(curve, deg)
    scatter = np.array([lift_u(curve, each, lobe.causes) for each in deg.tolist()])
    lag = (at.slope * _less_shift(cause.effect(at), at.slope) * cause.quantity.u for cause in lobe.causes.of("lag"))
    return np.asarray(scatter**2 + _zero_u_mm(lobe) ** 2 + sum(mm**2 for mm in lag))


def _less_shift(off_deg: Floats, slope: Floats) -> Floats:
    """An error of the angle less what of it turns the whole profile. Shape (n,)."""
    return np.asarray(off_deg - np.average(off_deg, weights=slope**2 + 1e-12))


def _zero_u_mm(lobe: Lobe) -> float:
    """Standard uncertainty of the zero on one side of the lobe, mean of the passes. A zero that drifts is taken to do so evenly over
    the lobe, and does it all where the crank was left standing.
    """
    curve = lobe.swept.curve
    drifts = np.nan_to_num(curve.base.after - curve.base.before)
    rounds = curve.base.zero_u_mm(lobe.causes.step_mm, curve.noise_mm)
    return math.sqrt((rounds**2 + float(np.mean(drifts**2)) / 12) / curve.passes)


def _set_variance(lobe: Lobe, deg: Floats) -> Floats:
    """Variance (mm^2) of what one setting of the indicator on one lobe has: its own error, its leaning, the runout."""
    at = Place.on(lobe.swept.curve, deg)
    return np.asarray(sum((cause.quantity.u * cause.on_lift(at)) ** 2 for cause in lobe.causes.of("indicator", "runout")))


def _encoder_variance(first: Lobe, second: Lobe, deg: Floats, later_deg: float) -> Floats:
    """Variance (mm^2) of what the encoder reads wrong between two places on it, less what of it is a shift."""
    at, later = Place.on(first.swept.curve, deg), Place.on(second.swept.curve, deg + later_deg)
    both = zip(first.causes.of("encoder"), second.causes.of("encoder"), strict=True)
    return np.asarray(
        sum(
            (at.slope * _less_shift(there.effect(later) - here.effect(at), at.slope)) ** 2
            * (here.quantity.value**2 + here.quantity.u**2)
            for here, there in both
        )
    )


def _with_tdc(later: Quantity, first: Lobe, second: Lobe) -> Quantity:
    """The shift with what the two do not share of TDC."""
    return later + linear_combination((1.0, second.causes.tdc), (-1.0, first.causes.tdc)).moved(0.0)
