"""Lift at the lobe and lift at the valve: valve lift = ratio x lobe lift - lash, as well as the job states ratio and lash.

Both may be off by the job's bounds, evenly anywhere within; where a lift goes one way and comes back, they drop out. One statement
of job.toml holds for every valve, so what it is off by is one cause: it opens one valve early and closes the other late.
"""

from __future__ import annotations

import math

from analysis.base.quantity import Quantity, Source, function_of
from analysis.job import Rig

# A lift within so many of the indicator's steps of its zero is not told from none.
HIDDEN_STEPS = 2


def at_indicator(rig: Rig, lift_mm: float, at: str) -> float:
    """A lift (mm) that holds `at` the "lobe" or the "valve", as the indicator sees it."""
    return checking_lift(rig, lift_mm, at).value


def checking_lift(rig: Rig, lift_mm: float, at: str) -> Quantity:
    """`at_indicator` with what ratio and lash leave open."""
    lift = Quantity(lift_mm)
    if at == rig.indicator_at:
        return lift
    return at_valve(rig, lift) if at == "lobe" else at_lobe(rig, lift)


def valve_and_lobe(rig: Rig, seen: Quantity) -> tuple[Quantity, Quantity]:
    """A lift at the indicator (mm) as lift at the valve and at the lobe."""
    if rig.indicator_at == "valve":
        return seen, at_lobe(rig, seen)
    return at_valve(rig, seen), seen


def at_valve(rig: Rig, at_lobe: Quantity) -> Quantity:
    """Lift at the lobe (mm) as lift at the valve with the lash in."""
    ratio = ratio_of(rig)
    value = ratio.value * at_lobe.value - rig.lash_mm
    return function_of(value, ((ratio.value, at_lobe), (at_lobe.value, ratio), (-1.0, lash_of(rig))))


def at_lobe(rig: Rig, at_valve: Quantity, lash: Quantity | None = None) -> Quantity:
    """Lift at the valve (mm) as lift at the lobe; `lash` that the lift at the valve is meant with, if not the lash that is in."""
    ratio, lash = ratio_of(rig), lash_of(rig) if lash is None else lash
    value = (at_valve.value + lash.value) / ratio.value
    return function_of(value, ((1.0 / ratio.value, at_valve + lash), (-value / ratio.value, ratio)))


def lash_of(rig: Rig) -> Quantity:
    """The lash that is in (mm)."""
    u = rig.lash_error_mm / math.sqrt(3)
    return Quantity(rig.lash_mm).with_part(Source("lash", distribution="rectangular", u=u, unit="mm"), u)


def ratio_of(rig: Rig) -> Quantity:
    """Valve lift over lobe lift."""
    u = rig.rocker_ratio_error / math.sqrt(3)
    return Quantity(rig.rocker_ratio).with_part(Source("rocker ratio", distribution="rectangular", u=u, unit="mm/mm"), u)
