"""The decision rule, and like held against like: lobe or valve, lash in or out, what cannot be compared said so."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.simulator.indicator import Indicator
from acquire.simulator.train import Train
from acquire.simulator.truth import crossings
from analysis.decision.verdict import Line, compare, judge, overall, rule
from analysis.diagnosis.examine import examine
from tests.cards import card_of
from tests.left_out import thorough
from tests.recorded import captures
from tests.rigs import SHORT, job_for

finite = st.floats(-1e3, 1e3)
positive = st.floats(0, 1e3)


@pytest.mark.parametrize(
    ("value", "u95", "verdict"),
    [
        # JCGM 106:2012, 8.3.2: the acceptance interval is the tolerance interval less U at each end, both ends included.
        (10.0, 0.4, "within"),
        (10.6, 0.4, "within"),
        (10.61, 0.4, "cannot tell"),
        (11.0, 0.4, "cannot tell"),
        (11.4, 0.4, "cannot tell"),
        (11.41, 0.4, "outside"),
        (8.59, 0.4, "outside"),
        (8.6, 0.4, "cannot tell"),
        (10.0, 1.1, "cannot tell"),  # an uncertainty wider than the tolerance can never prove conformity
        (12.2, 1.1, "outside"),
        (11.0, 0.0, "within"),
    ],
)
def test_the_rule_of_iso_14253_1_keeps_a_guard_band_from_each_limit(value: float, u95: float, verdict: str) -> None:
    assert judge(value, u95, 9.0, 11.0) == verdict


def test_simple_acceptance_keeps_none_and_leaves_nothing_undecided() -> None:
    assert judge(10.99, 0.4, 9.0, 11.0, guard_band_factor=0.0) == "within"
    assert judge(11.01, 0.4, 9.0, 11.0, guard_band_factor=0.0) == "outside"


@given(finite, positive, positive, positive)
def test_what_is_within_stays_so_with_less_uncertainty_or_wider_limits(
    value: float, u95: float, half: float, more: float
) -> None:
    if judge(value, u95, -half, half) == "within":
        assert judge(value, u95 / 2, -half, half) == "within"
        assert judge(value, u95, -half - more, half + more) == "within"
    assert judge(value, u95, -math.inf, math.inf) == "within"


@given(finite, positive, finite)
def test_the_verdict_is_the_same_mirrored(value: float, u95: float, limit: float) -> None:
    assert judge(value, u95, limit, math.inf) == judge(-value, u95, -math.inf, -limit)


def test_one_outside_outweighs_all_and_nothing_at_all_is_not_within() -> None:
    assert overall(["within", "outside", "cannot tell"]) == "outside"
    assert overall(["within", "not compared"]) == "cannot tell"
    assert overall(["within", "within"]) == "within"
    assert overall([]) == "cannot tell"


def test_the_rule_is_stated_with_its_guard_band() -> None:
    assert "ISO 14253-1" in rule(job_for(SHORT))
    assert "0.5 times" in rule(job_for(SHORT, specification={"tolerance": {"guard_band_factor": 0.5}}))


def test_a_degree_of_duration_is_inconsequential() -> None:
    """Common practice: 17 BTDC and 42 ABDC make 239, and a camshaft sold as 240 is fine."""
    assert judge(17.0 + 180.0 + 42.0, 0.3, 240.0 - 2.0, 240.0 + 2.0) == "within"


RIG = replace(SHORT, train=Train(ratio=1.5, lash_mm=0.2))


def lines(specification: dict[str, Any], rig: Any = RIG, **tables: Any) -> dict[tuple[str, str], Line]:
    job = job_for(rig, specification=specification, **tables)
    return {(line.asked.valve, line.asked.kind): line for line in compare(job, examine(job, captures(rig)))}


@pytest.mark.parametrize("where", ["lobe", "valve"])
@pytest.mark.parametrize(
    ("at", "lift", "lash"), [("lobe", 1.27, None), ("valve", 1.0, 0.3), *thorough(("valve", 1.0, 0.2), ("valve", 1.0, 0.0))]
)
def test_a_card_is_read_where_and_with_the_lash_it_holds_at(where: str, at: str, lift: float, lash: float | None) -> None:
    """Whatever the indicator stands on, the event is that of the card: found by the simulator's own law by root finding."""
    rig = replace(RIG, indicators=(Indicator(where=where),))
    row = {"lift_mm": lift, "at": at, "deg": 200.0}
    lash_key = {} if lash is None else {"lash_mm": lash}
    found = lines({"intake": {"duration": [row], **lash_key}}, rig)["intake", "duration"]
    with_lash = replace(rig, train=replace(rig.train, lash_mm=lash or 0.0)) if at == "valve" else rig
    opens, closes = crossings(with_lash, "intake", lift, at)
    assert found.measured is not None
    assert found.measured.value == pytest.approx(closes - opens, abs=max(2 * found.u95, 0.05))
    assert ("through the ratio" in found.how) == (where != at)


def test_a_lash_that_the_card_does_not_give_is_said_to_be_taken_over() -> None:
    found = lines({"intake": {"duration": [{"lift_mm": 1.0, "at": "valve", "deg": 200.0}]}})
    assert "the cam card gives no lash, taken as the 0.20 mm" in found["intake", "duration"].how


def test_full_lifts_are_compared_through_ratio_and_lash() -> None:
    found = lines({"intake": {"lobe_lift_mm": 7.6, "valve_lift_mm": 11.4}})
    for kind in ("lobe lift", "valve lift"):
        assert found["intake", kind].verdict == "within"
    assert "0.20 mm of lash put back" in found["intake", "valve lift"].how


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"lift_mm": 0.1, "at": "lobe", "deg": 280.0}, "0.20 mm of lash hide it"),
        ({"lift_mm": 9.0, "at": "lobe", "deg": 100.0}, "below the checking lift"),
    ],
)
def test_what_cannot_be_compared_is_said_to_be_so(row: dict[str, Any], words: str) -> None:
    found = lines({"intake": {"duration": [row]}})["intake", "duration"]
    assert found.verdict == "not compared"
    assert found.measured is None
    assert words in found.how


def test_a_lobe_that_was_not_swept_leaves_its_lines_and_the_camshafts_open() -> None:
    job = job_for(SHORT, specification=card_of(SHORT))
    found = compare(job, examine(job, captures(SHORT, ("stop", "intake"))))
    by_valve = {line.asked.valve: line for line in found}
    assert by_valve["exhaust"].verdict == "not compared"
    assert "the exhaust lobe was not measured" in by_valve["exhaust"].how
    assert "needs both lobes" in by_valve[""].how
