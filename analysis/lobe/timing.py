"""Valve timing arithmetic: what opening and closing angles make of each other. Crank degrees from overlap TDC, positive after it.

Plain numbers and quantities alike: with quantities, what the angles share (TDC, latency) drops out of durations by itself.
"""

from __future__ import annotations

from analysis.base.quantity import Quantity, linear_combination


def duration(opens: Quantity, closes: Quantity) -> Quantity:
    """Crank degrees from opening to closing."""
    return linear_combination((1.0, closes), (-1.0, opens))


def centerline(opens: Quantity, closes: Quantity) -> Quantity:
    """Middle between opening and closing, degrees from overlap TDC."""
    return linear_combination((0.5, opens), (0.5, closes))


def separation(intake: Quantity, exhaust: Quantity) -> Quantity:
    """Lobe separation in CAM degrees from the centerlines (the exhaust's is negative: before overlap TDC)."""
    return linear_combination((0.5, intake), (-0.5, exhaust))


def advance(intake: Quantity, exhaust: Quantity) -> Quantity:
    """By how many crank degrees the camshaft is advanced: how far the middle between the centerlines lies before overlap TDC."""
    return linear_combination((-0.5, intake), (-0.5, exhaust))


def overlap(intake_opens: Quantity, exhaust_closes: Quantity) -> Quantity:
    """Crank degrees for which both valves are open at one checking lift; negative if both are closed in between."""
    return linear_combination((1.0, exhaust_closes), (-1.0, intake_opens))


def centerline_disagreement(opens_before: float, closes_after: float, curve_centerline: float) -> float:
    """How far the centerline made from readings lies from the lift curve's own, degrees.

    `opens_before`: degrees before TDC (intake) at opening, `closes_after`: degrees after BDC at closing. A value of many
    degrees means that the two readings were noted the wrong way round.
    """
    return (180.0 + closes_after - opens_before) / 2 - curve_centerline
