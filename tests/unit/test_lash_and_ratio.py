"""What lash and rocker ratio leave open: each number's part is what the number does if the job states another lash or ratio."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest

from acquire.simulator.indicator import Indicator
from acquire.simulator.train import Train
from analysis.base.quantity import Quantity
from analysis.decision.card import Asked
from analysis.decision.comparable import indicator_lift
from analysis.diagnosis.examine import examine
from analysis.job import Rig
from analysis.lobe.rocker import at_indicator, at_lobe, at_valve, checking_lift
from tests.recorded import captures
from tests.rigs import SHORT, job_for

LASH, RATIO = 0.20, 1.5
AT_VALVE = replace(SHORT, train=Train(ratio=RATIO, lash_mm=LASH), indicators=(Indicator(where="valve", step=0.001),))
NUMBERS = (
    "opens 0.15", "closes 0.15", "duration 0.15", "opens 1.27", "closes 2.54", "centerline", "peak lift", "peak lobe lift",
    "separation", "overlap 2.54",
)  # fmt: skip


@cache
def measured(**rig: float) -> dict[str, Quantity]:
    """Of one and the same capture."""
    found = examine(job_for(AT_VALVE, rig=rig), captures(AT_VALVE, ("stop", "intake", "exhaust")))
    return {entry.name.removeprefix("intake "): entry.quantity for entry in found.entries()}


def stated_rig(**rig: float) -> Rig:
    return job_for(AT_VALVE, rig=rig).rig


@pytest.mark.parametrize(
    ("key", "stated", "bound", "word"),
    [("lash_mm", LASH, "lash_error_mm", "lash"), ("rocker_ratio", RATIO, "rocker_ratio_error", "rocker ratio")],
)
@pytest.mark.parametrize("name", NUMBERS)
def test_a_part_is_what_another_statement_does(name: str, key: str, stated: float, bound: str, word: str) -> None:
    """Central difference of two measurements of one capture. The curve's foot moves with the lash: hence the tolerance."""
    step = 0.004
    moved = (measured(**{key: stated + step})[name].value - measured(**{key: stated - step})[name].value) / (2 * step)
    parts = {s.name: part for s, part in measured(**{bound: 0.01})[name].parts.items() if s.name.startswith(word)}
    assert len(parts) <= 1
    assert sum(parts.values()) * math.sqrt(3) / 0.01 == pytest.approx(moved, abs=0.1 * abs(moved) + 0.15)


def test_lash_opens_early_and_closes_late_and_leaves_the_middle() -> None:
    plain, wide = measured(), measured(lash_error_mm=0.02)
    assert wide["duration 0.15"].u > 1.5 * plain["duration 0.15"].u
    lash = {name: next(part for s, part in wide[name].parts.items() if s.name.startswith("lash")) for name in NUMBERS[:3]}
    assert lash["opens 0.15"] < 0 < lash["closes 0.15"]
    assert lash["duration 0.15"] == pytest.approx(lash["closes 0.15"] - lash["opens 0.15"])
    assert wide["centerline"].u == pytest.approx(plain["centerline"].u)
    assert wide["peak lift"].u == pytest.approx(plain["peak lift"].u), "the indicator stands at the valve"


def test_without_a_bound_nothing_changes() -> None:
    assert not [s for q in measured().values() for s in q.parts if s.name.startswith(("lash", "rocker"))]


def test_from_lobe_to_valve_and_back_neither_has_a_say() -> None:
    rig = stated_rig(lash_error_mm=0.02, rocker_ratio_error=0.03)
    back = at_lobe(rig, at_valve(rig, Quantity(1.27)))
    assert back.value == pytest.approx(1.27)
    assert back.u == pytest.approx(0.0, abs=1e-12)
    assert at_valve(rig, Quantity(1.27)).u == pytest.approx(math.hypot(1.27 * 0.03, 0.02) / math.sqrt(3))
    assert checking_lift(rig, 1.0, "valve").u == 0.0
    assert at_indicator(rig, 1.27, "lobe") == pytest.approx(RATIO * 1.27 - LASH)


@pytest.mark.parametrize(("card_lash", "u_mm"), [(None, 0.0), (0.1, 0.02 / math.sqrt(3))])
def test_a_card_with_a_lash_of_its_own_depends_on_the_lash_that_is_in(card_lash: float | None, u_mm: float) -> None:
    """At the valve, read at the valve: the ratio has no say; the lash only if the card's is another."""
    rig = stated_rig(lash_error_mm=0.02, rocker_ratio_error=0.03)
    asked = Asked("opens", "intake", 10.0, 1.0, lift_mm=1.0, at="valve", lash_mm=card_lash)
    assert indicator_lift(asked, rig).u == pytest.approx(u_mm, abs=1e-12)
