"""A camshaft that is bent moves both valves at once: against the simulator's, with nearly exact instruments."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.base.quantity import Quantity
from tests.rigs import FINE, lobe_of, measured, with_lobes

RUNOUT_MM = 0.02
LOBE = lobe_of("4-5-6-7", 8.0, 66.0)


def overlap_of(runout_deg: float, camshafts: int) -> tuple[Quantity, float]:
    """The overlap at 0.5 mm of a bent camshaft's lobes, and its error. Lash keeps the runout from the zero."""
    train = replace(FINE.train, lash_mm=0.2, runout_mm=RUNOUT_MM, runout_deg=runout_deg)
    bent = replace(with_lobes(FINE, LOBE), train=train, indicators=(replace(FINE.indicators[0], where="valve"),))
    both, true = measured(bent, measure={"checking_lifts_mm": [0.5]}, timing_set={"camshafts": camshafts})
    found, opens, closes = both.quantities()["cam.overlap"], true.lobe("intake").events[0], true.lobe("exhaust").events[0]
    return found, found.value - (closes.closes_deg - opens.opens_deg)


def of_runout(found: Quantity) -> float:
    """The standard uncertainty that runout alone gives."""
    return math.hypot(*(part for source, part in found.parts.items() if source.name.startswith("runout")))


def test_the_overlap_of_one_camshaft_is_moved_at_both_valves_by_one_runout() -> None:
    """Once a turn, so that two phases a quarter apart tell the greatest error of all. The bound's is the square root of 6 standard
    uncertainties.
    """
    (found, across), (_, along) = (overlap_of(deg, 1) for deg in (0.0, 90.0))
    assert math.sqrt(6) * of_runout(found) == pytest.approx(math.hypot(across, along), rel=0.1)
    apart, _ = overlap_of(0.0, 2)
    assert of_runout(found) == pytest.approx(math.sqrt(2) * of_runout(apart), rel=0.05)
