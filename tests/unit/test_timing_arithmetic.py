"""Valve timing as arithmetic: published cases, and what people in the trade reckon by hand."""

from __future__ import annotations

import re
from math import radians

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.angles import label
from analysis.base.quantity import Quantity, Source
from analysis.job import Rig as JobRig
from analysis.lobe.rocker import at_indicator
from analysis.lobe.timing import (
    advance,
    centerline,
    centerline_disagreement,
    duration,
    overlap,
    separation,
)
from analysis.tdc.stop import middle_of_unswept_arc
from tests.rigs import SHORT, job_for, measured, told

_CASES = {
    # name: IVO BTDC, IVC ABDC, EVO BBDC, EVC ATDC -> durations, centerlines, separation, overlap, advance
    "20-60/60-20": ((20, 60, 60, 20), (260, 260, 110, 110, 110, 40, 0)),
    "the same, 5 advanced": ((25, 55, 65, 15), (260, 260, 105, 115, 110, 40, 5)),
    "the same, closed by 5 cam degrees": ((25, 55, 55, 25), (260, 260, 105, 105, 105, 50, 0)),
    # Cantera, ic_engine sample: intake -18 to 198, exhaust 522 to 18.
    "Cantera ic_engine": ((18, 18, 18, 18), (216, 216, 90, 90, 90, 36, 0)),
    # ICESym, eight-cylinder diesel, given in radians (below), and its single-cylinder case 710/220/490/20.
    "ICESym diesel": ((15, 50, 65, 15), (245, 260, 107.5, 115, 111.25, 30, 3.75)),
    "ICESym single": ((10, 40, 50, 20), (230, 250, 105, 105, 105, 30, 0)),
    # TCC-III README (University of Michigan, doi 10.7302/Z2MS3QP), p. 11: 712.8, 240.8, 484.8, 12.8.
    "TCC-III README": ((7.2, 60.8, 55.2, 12.8), (248.0, 248.0, 116.8, 111.2, 114.0, 20.0, -2.8)),
}


def duration_from_readings(before_deg: float, after_deg: float) -> float:
    """As people reckon it: opens so many degrees before one dead center, closes so many after the next, half a turn between."""
    return before_deg + 180.0 + after_deg


@pytest.mark.parametrize("name", _CASES)
def test_published_cases(name: str) -> None:
    (ivo, ivc, evo, evc), expected = _CASES[name]
    intake = Quantity(-ivo), Quantity(180 + ivc)
    exhaust = Quantity(-180 - evo), Quantity(evc)
    center_in, center_ex = centerline(*intake), centerline(*exhaust)
    found = (
        duration(*intake),
        duration(*exhaust),
        center_in,
        center_ex * -1,  # said as degrees before TDC
        separation(center_in, center_ex),
        overlap(intake[0], exhaust[1]),
        advance(center_in, center_ex),
    )
    assert [q.value for q in found] == pytest.approx(expected, abs=1e-9)
    assert duration_from_readings(ivo, ivc) == pytest.approx(expected[0])
    assert duration_from_readings(evo, evc) == pytest.approx(expected[1])


def test_the_diesel_in_radians() -> None:
    """ICESym's eight-cylinder case as it is written: opening and closing of intake and exhaust in radians."""
    opened, closed, exhaust_opened, exhaust_closed = 12.3045712266, 4.01425727959, 8.29031394697, 0.261799387799
    turn = radians(720)
    assert radians(360) * 2 - opened == pytest.approx(radians(15))
    assert closed - radians(180) == pytest.approx(radians(50))
    assert label(opened / turn * 720, "intake opens") == "15.0 BTDC"
    assert label(closed / turn * 720, "intake closes") == "50.0 ABDC"
    assert label(exhaust_opened / turn * 720, "exhaust opens") == "65.0 BBDC"
    assert label(exhaust_closed / turn * 720, "exhaust closes") == "15.0 ATDC"


@given(st.floats(-40, 80), st.floats(0, 100), st.floats(0, 100), st.floats(-40, 80))
def test_overlap_is_mean_duration_less_twice_the_separation(ivo: float, ivc: float, evo: float, evc: float) -> None:
    """An identity that holds for any four events (common practice)."""
    intake, exhaust = (Quantity(-ivo), Quantity(180 + ivc)), (Quantity(-180 - evo), Quantity(evc))
    both = overlap(intake[0], exhaust[1]).value
    apart = separation(centerline(*intake), centerline(*exhaust)).value
    assert both == pytest.approx((duration(*intake).value + duration(*exhaust).value) / 2 - 2 * apart, abs=1e-9)


def test_what_events_share_drops_out_of_their_difference() -> None:
    """One TDC moves opening and closing alike: the duration does not know it, the centerline carries it whole."""
    tdc = Source("TDC")
    opens, closes = Quantity(-17.0, {tdc: 0.2}), Quantity(222.0, {tdc: 0.2})
    assert duration(opens, closes).u == 0.0
    assert centerline(opens, closes).u == pytest.approx(0.2)
    intake, exhaust = Quantity(107.0, {tdc: 0.2}), Quantity(-110.0, {tdc: 0.2})
    assert separation(intake, exhaust).u == 0.0
    assert advance(intake, exhaust).u == pytest.approx(0.2)


def rig_with(**keys: float | str) -> JobRig:
    return job_for(SHORT, rig=keys).rig


# --- common practice ----------------------------------------------------------------------------------------------------


def test_0_050_inch_at_the_lobe_is_0_076_at_the_valve_with_a_ratio_of_1_52() -> None:
    rig = rig_with(indicator_at="valve", rocker_ratio=1.52)
    assert at_indicator(rig, 0.050 * 25.4, "lobe") / 25.4 == pytest.approx(0.076, abs=1e-12)
    assert at_indicator(rig, 0.076 * 25.4, "valve") / 25.4 == pytest.approx(0.076)


def test_lash_is_taken_off_at_the_valve() -> None:
    """Valve lift = ratio x lobe lift - lash, both ways."""
    at_valve = rig_with(indicator_at="valve", rocker_ratio=1.5, lash_mm=0.3)
    at_lobe = rig_with(indicator_at="lobe", rocker_ratio=1.5, lash_mm=0.3)
    assert at_indicator(at_valve, 1.27, "lobe") == pytest.approx(1.5 * 1.27 - 0.3)
    assert at_indicator(at_lobe, 1.5 * 1.27 - 0.3, "valve") == pytest.approx(1.27)
    assert at_indicator(at_lobe, 1.27, "lobe") == 1.27


def test_stop_contacts_at_124_and_165_put_tdc_at_144_5() -> None:
    assert middle_of_unswept_arc(contact_after=165, contact_before=124) == pytest.approx(144.5)


def test_a_wheel_that_reads_22_3_and_341_1_is_1_7_high() -> None:
    assert middle_of_unswept_arc(contact_after=22.3, contact_before=341.1) == pytest.approx(1.7)


def test_17_before_and_42_after_make_239() -> None:
    """Against 240 on the card one degree is of no consequence: it is inside the usual two degrees of tolerance for a duration."""
    found = duration(Quantity(-17.0), Quantity(180.0 + 42.0)).value
    assert found == duration_from_readings(17, 42) == 239
    assert abs(found - 240) <= job_for(SHORT).specification.tolerance.duration_deg


def test_equal_lifts_at_61_and_145_have_their_middle_at_103() -> None:
    assert centerline(Quantity(61.0), Quantity(145.0)).value == 103


def test_readings_noted_the_wrong_way_round_show_by_a_centerline_of_77_5() -> None:
    assert centerline_disagreement(42, 17, 0.0) == pytest.approx(77.5)
    assert centerline_disagreement(17, 42, 102.5) == pytest.approx(0.0)


Row = tuple[str, float, str, float]
_ROUND = {"lift_mm": 1.27, "at": "lobe", "deg": 180.7}


@pytest.mark.parametrize(
    ("valve", "right", "exchanged"),
    [
        ("intake", ("opens_btdc_deg", -16.6, "closes_abdc_deg", 17.3), ("opens_btdc_deg", 17.3, "closes_abdc_deg", -16.6)),
        ("exhaust", ("opens_bbdc_deg", 19.9, "closes_atdc_deg", -20.1), ("opens_bbdc_deg", -20.1, "closes_atdc_deg", 19.9)),
    ],
)
def test_a_card_that_does_not_fit_the_curve_is_pointed_out(valve: str, right: Row, exchanged: Row) -> None:
    """Opening and closing exchanged on the card shift its centerline by 34 degrees against the curve: that is said, with why."""
    for row, codes in ((right, []), (exchanged, ["events-disagree"])):
        keys = {**_ROUND, row[0]: row[1], row[2]: row[3], "deg": 180.0 + row[1] + row[3]}
        found, _ = measured(SHORT, ("stop", valve), specification={valve: {"duration": [keys]}})
        assert [w.code for w in told(found)] == codes
        for caution in told(found):
            assert valve in caution.text
            assert "the wrong way round" in caution.text


def test_a_card_for_another_camshaft_disagrees_without_being_exchanged() -> None:
    keys = {**_ROUND, "opens_btdc_deg": 30.0, "closes_abdc_deg": -28.0, "deg": 182.0}
    found, _ = measured(SHORT, ("stop", "intake"), specification={"intake": {"duration": [keys]}})
    (caution,) = told(found)
    assert caution.code == "events-disagree"
    (said,) = re.findall(r"([0-9.]+) degrees before", caution.text)
    assert float(said) == pytest.approx(107 - (152 - 30) / 2, abs=0.2)  # against the events at that lift, not the vague peak
    assert "wrong way round" not in caution.text


def test_intake_closing_names_no_minus() -> None:
    assert label(222.0, "intake closes") == "42.0 ABDC"
    assert label(-17.0, "intake opens") == "17.0 BTDC"
