"""TDC from a piston stop: turning points, arithmetic, and the bias of an offset pin."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from acquire.simulator.encoder import Encoder
from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source, expanded_uncertainty
from analysis.base.samples import Board, Capture, Header, IndexPulses, Ints, Samples
from analysis.diagnosis.contact_rules import disagree
from analysis.diagnosis.rule import Seen
from analysis.job import Rig
from analysis.tdc.slider_crank import SliderCrank, slider_crank
from analysis.tdc.stop import TdcFound, by_stop, middle_of_contacts, middle_of_unswept_arc, stop_contacts, turning_points
from analysis.tdc.travel import by_travel
from tests.handbook import PISTON_TRAVEL_MM
from tests.left_out import thorough

CPR = 2400
NONE = np.zeros(0, dtype=np.int64)


def path(*places: int) -> Ints:
    """Counts one by one from each place to the next."""
    parts = [np.arange(a, b, 1 if b > a else -1) for a, b in pairwise(places)]
    return np.concatenate([*parts, [places[-1]]]).astype(np.int64)


def stop_capture(crank: Ints, cpr: int = CPR) -> Capture:
    n = crank.size
    zero = np.zeros(n, dtype=np.int64)
    samples = Samples(np.arange(n), 1000 * np.arange(n), crank, zero, zero, zero[None, :], zero[None, :])
    header = Header(Board(cpr, True, "edge", (0.01,), ("mm",)), "stop", 1, ("unknown",))
    return Capture(header, samples, IndexPulses(NONE, NONE, NONE), (), (), (), True, (), "", "stop.csv")


# --- contacts -------------------------------------------------------------------------------------------------------------


def test_contacts_are_the_turning_points() -> None:
    contacts = stop_contacts(path(1000, 2000, 100, 2001, 99, 1000), CPR)
    assert contacts.high.counts.tolist() == [2000, 2001]
    assert contacts.low.counts.tolist() == [100, 99]


def test_jitter_and_rollbacks_are_no_touches() -> None:
    """A hand that wavers by a few degrees on the way, and springs back off the stop, has touched it once."""
    contacts = stop_contacts(path(1000, 1500, 1480, 2000, 1990, 1999, 900, 920, 100, 110, 100, 2001, 1900), CPR)
    assert contacts.high.counts.tolist() == [2000, 2001]
    assert contacts.low.counts.tolist() == [100]


def test_turning_back_early_is_no_touch() -> None:
    """Ten degrees short of the stop (67 counts) and back: that turning point is left out, the touches stay."""
    contacts = stop_contacts(path(1000, 2000, 100, 1933, 100, 2000, 1000), CPR)
    assert contacts.high.counts.tolist() == [2000, 2000]
    assert contacts.low.counts.tolist() == [100, 100]


@pytest.mark.parametrize("short_deg", [0.3, 1, 6, 7.9])
def test_a_record_that_ends_on_the_way_to_the_stop_has_no_contact_there(short_deg: float) -> None:
    """Cut off at an even pace, the motion looks as if it had ended dead; where the crank then stands, it has."""
    crank = path(1000, 2000, 100, 2000, 100, 2000, 100 + round(short_deg * CPR / 360))
    assert stop_contacts(crank, CPR).low.counts.tolist() == [100, 100]
    stands = np.concatenate((crank, np.full(20, crank[-1])))
    assert stop_contacts(stands, CPR).low.counts.tolist() == [100, 100, crank[-1]]


@given(st.integers(3800, 9000))
def test_wherever_a_record_ends_the_contacts_lie_at_the_stop(end: int) -> None:
    contacts = stop_contacts(path(1000, 2000, 100, 2000, 100, 2000, 100)[:end], CPR)
    assert set(contacts.low.counts.tolist()) == {100}
    assert set(contacts.high.counts.tolist()) == {2000}


def test_a_turning_point_beyond_the_stop_was_made_before_it_was_in() -> None:
    contacts = stop_contacts(path(1990, 2034, 100, 2000, 100, 2000, 100, 1000), CPR)
    assert contacts.high.counts.tolist() == [2000, 2000]
    assert contacts.low.counts.tolist() == [100, 100, 100]


def test_a_crank_that_goes_past_the_stop_is_refused() -> None:
    with pytest.raises(DataError) as refused:
        stop_contacts(path(0, 2000, 100, 2600, 100), CPR)
    assert "past the stop" in refused.value.what
    assert refused.value.do


@pytest.mark.parametrize("crank", [path(1000, 1000), path(500, 520, 500), np.full(50, 7, dtype=np.int64)])
def test_a_crank_that_hardly_moves_has_no_contacts(crank: Ints) -> None:
    with pytest.raises(DataError, match="not turned to both sides") as refused:
        stop_contacts(crank, CPR)
    assert refused.value.do


def test_only_one_side_is_refused() -> None:
    with pytest.raises(DataError, match="both sides") as refused:
        stop_contacts(path(1000, 2000), CPR)
    assert refused.value.do


def test_a_short_swing_is_not_the_long_way_round() -> None:
    with pytest.raises(DataError, match="swung only 60 degrees") as refused:
        stop_contacts(path(1000, 1200, 800, 1200, 800, 1000), CPR)
    assert refused.value.do


def slow_turning_points(crank: list[int], leave: int) -> tuple[list[int], list[int]]:
    """A sample at a time: the values at the turning points."""
    lows: list[int] = []
    highs: list[int] = []
    low = high = crank[0]
    rising: bool | None = None
    for value in crank:
        low, high = min(low, value), max(high, value)
        if rising is not False and high - value > leave:
            if rising is not None:
                highs.append(high)
            rising, low = False, value
        elif rising is not True and value - low > leave:
            if rising is not None:
                lows.append(low)
            rising, high = True, value
    if rising is True:
        highs.append(high)
    elif rising is False:
        lows.append(low)
    return lows, highs


@given(st.lists(st.integers(-60, 60), min_size=1, max_size=40))
def test_turning_points_agree_with_a_loop_over_samples(places: list[int]) -> None:
    crank = path(0, *places)
    lows, highs = turning_points(crank, 10)
    assert (crank[lows].tolist(), crank[highs].tolist()) == slow_turning_points(crank.tolist(), 10)


# --- arithmetic -----------------------------------------------------------------------------------------------------------


def test_wheel_arithmetic() -> None:
    """Stop readings 22.3 and 341.1: the wheel reads 1.7 high (common practice)."""
    assert middle_of_unswept_arc(22.3, 341.1) == pytest.approx(1.7)
    assert middle_of_unswept_arc(165, 124) == pytest.approx(144.5)
    assert middle_of_unswept_arc(10, 350) == pytest.approx(0.0)


@given(st.floats(0, 2400, exclude_max=True), st.floats(1, 2399))
def test_the_middle_lies_half_the_arc_from_both_ends(before: float, arc: float) -> None:
    after = (before + arc) % CPR
    middle = middle_of_unswept_arc(after, before, CPR)
    assert 0 <= middle < CPR
    assert math.isclose((middle - before) % CPR, arc / 2, abs_tol=1e-6)


@pytest.mark.parametrize("forward", [1, -1])
def test_tdc_is_the_middle_of_the_arc_that_was_not_swept(forward: int) -> None:
    """Counts 100 and 2000 were met: BDC half way between, TDC half a turn on; half a count for where within its count it stood."""
    found = by_stop(stop_capture(path(1000, 2000, 100, 2000, 100, 1000)), None, forward)
    assert found.count.value == pytest.approx(1050.5 + 1200)
    assert found.contact_counts == (2, 2)
    assert found.unswept_deg == pytest.approx((CPR - 1900) * 0.15)
    # Two contacts, each anywhere within its count: their mean is triangular over +/- half a count, 95 % of it within 0.388; what
    # two contacts a side leave open of their scatter adds to it.
    assert 0.999 < expanded_uncertainty(found.count) / (0.5 * (1 - math.sqrt(0.05))) < 1.5


def test_scatter_of_touches_widens_the_uncertainty_and_one_touch_more_still() -> None:
    steady = by_stop(stop_capture(path(1000, 2000, 100, 2000, 100, 2000, 100, 1000)), None, 1)
    loose = by_stop(stop_capture(path(1000, 2000, 100, 2004, 97, 1998, 103, 1000)), None, 1)
    single = by_stop(stop_capture(path(1000, 2000, 100, 1000)), None, 1)
    assert steady.count.u95 < loose.count.u95
    assert steady.count.u95 < single.count.u95
    assert loose.spread_deg == pytest.approx(6 * 0.15)
    # Type A alone: standard deviation of the mean of three, half of it on TDC for each side (JCGM 100:2008, 4.2.3).
    sides = [np.std([2000, 2004, 1998], ddof=1) / 3**0.5 / 2, np.std([100, 97, 103], ddof=1) / 3**0.5 / 2]
    assert 0.8 < loose.count.u / math.hypot(*sides) < 1.5


@pytest.mark.parametrize("scatter", [0.3, *thorough(0.0, 2.0)], ids=lambda counts: f"scatter {counts:g} counts, seed 20")
def test_contacts_cut_off_to_counts_are_covered(scatter: float) -> None:
    """A contact anywhere within a count, touched three times a side with some scatter: the interval holds it as often as it says."""
    rng = np.random.default_rng(20)
    inside = 0
    for _ in range(400):
        truth = np.array([100, 2000]) + rng.uniform(0.0, 1.0, 2)
        low, high = (np.floor(rng.normal(place, scatter, 3)).astype(np.int64) for place in truth)
        middle = middle_of_contacts(low, high, CPR)
        inside += abs(middle.value - truth.mean()) <= expanded_uncertainty(middle)
    # Never too narrow (one time in a thousand by chance); too wide only as far as three touches leave the scatter open.
    assert inside >= stats.binom.ppf(0.001, 400, 0.95)


def test_means_and_spreads_far_from_zero() -> None:
    """NIST StRD, NumAcc1 (10000001, 10000003, 10000002; certified mean 10000002), as counts of a board that has run for long: the
    mean is exact and the spread is that of 1, 3, 2.
    """

    def found(start: int) -> Quantity:
        low = start - 1900
        touches = [x for high in (start + 1, start + 3, start + 2) for x in (high, low)]
        return by_stop(stop_capture(np.array([low + 900, *touches, low + 900], dtype=np.int64)), None, 1).count

    near, far = found(0), found(10_000_000)
    assert near.value == pytest.approx((2.5 - 1899.5) / 2 + 1200, abs=0.05)
    assert far.value - 10_000_000 == pytest.approx(near.value, abs=1e-8)
    assert far.u == pytest.approx(near.u, rel=1e-12)


# --- slider-crank ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crank", "angles", "travel"),
    [
        *((SliderCrank(radius, rod), [*below], [*below.values()]) for (radius, rod), below in PISTON_TRAVEL_MM.items()),
        (SliderCrank(170, 700), [90], [190.95655514540]),  # OpenFOAM/ICengines test suite
        # How flat the top is: 0.5, 1, 2 degrees.
        (SliderCrank(43, 231), [0.5, -1.0, 2.0], [0.001942, 0.007768, 0.031069]),
    ],
)
def test_piston_travel(crank: SliderCrank, angles: list[float], travel: list[float]) -> None:
    assert crank.travel(np.array(angles, dtype=np.float64)) == pytest.approx(travel, abs=6e-7)


def test_the_exact_formula_is_not_the_two_term_approximation() -> None:
    """Khurmi & Gupta, Theory of Machines, Ex. 15.3: r 300, l 1000 mm, 200 rpm; the book's second-harmonic formula has the piston
    fastest at 74.96 degrees, 6.54 m/s. Exactly it is 74.528930828 degrees, 6.561732149 m/s.
    """
    crank = SliderCrank(300, 1000)
    angles = np.arange(70.0, 80.0, 0.001)
    speed = np.gradient(crank.travel(angles), np.radians(0.001)) * 200 * 2 * np.pi / 60 / 1000
    fastest = angles[np.argmax(speed)]
    assert fastest == pytest.approx(74.528930828, abs=0.02)
    assert abs(fastest - 74.955) > 0.4
    assert speed.max() == pytest.approx(6.561732149, abs=1e-5)
    assert abs(speed.max() - 6.540332282) > 0.02


@pytest.mark.parametrize(
    ("r", "rod", "offset", "tdc", "stroke", "biases"),
    [
        (43.0, 231.0, 0.0, 0.0, 86.0, (0.0, 0.0, 0.0, 0.0)),
        (43.0, 231.0, 1.0, 0.209109, 86.000834770, (0.001538, 0.003887, 0.007921, 0.016465)),
        (22.5, 84.0, 2.0, 1.076040, 45.013747929, (0.020593, 0.053003, 0.111498, 0.248769)),
    ],
)
def test_bias_of_equal_heights(r: float, rod: float, offset: float, tdc: float, stroke: float, biases: tuple[float, ...]) -> None:
    """Mean of the two angles 2, 5, 10, 20 mm below top less true TDC; solved outside the project from the same geometry."""
    crank = SliderCrank(r, rod, offset)
    assert crank.tdc_deg == pytest.approx(tdc, abs=1e-6)
    assert crank.stroke == pytest.approx(stroke, abs=1e-8)
    assert crank.travel(crank.bdc_deg) == pytest.approx(crank.stroke)
    for depth, bias in zip((2.0, 5.0, 10.0, 20.0), biases, strict=True):
        grid = crank.tdc_deg + np.arange(-90.0, 90.0, 0.001)
        inside = grid[crank.travel(grid) <= depth]
        assert crank.middle_bias(float(inside[-1] - inside[0])) == pytest.approx(bias, abs=1e-4)
        assert (inside[-1] + inside[0]) / 2 - crank.tdc_deg == pytest.approx(bias, abs=1e-3)


def test_equal_heights_without_offset() -> None:
    crank = SliderCrank(43, 231)
    for depth, angle in zip((2, 5, 10, 20), (16.122472, 25.680094, 36.782324, 53.465108), strict=True):
        assert crank.travel([-angle, angle]) == pytest.approx([depth, depth], abs=1e-6)
    assert crank.middle_bias(60.0) == 0.0


@given(st.floats(40, 200), st.floats(1.6, 3.0), st.floats(-5, 5))
def test_the_throw_is_found_from_the_stroke(stroke: float, ratio: float, offset: float) -> None:
    crank = slider_crank(stroke, ratio * stroke / 2 * 1.5, offset)
    assert crank.stroke == pytest.approx(stroke, abs=1e-6)


@pytest.mark.parametrize("forward", [1, -1])
def test_the_bias_is_taken_out_in_running_direction(forward: int) -> None:
    """The small engine (22.5, 84, 2 mm): contacts 20 mm below top lie 0.248769 degrees late in direction of rotation."""
    crank, cpr = SliderCrank(22.5, 84.0, 2.0), 360_000
    grid = crank.tdc_deg + np.arange(-120.0, 120.0, 0.001)
    inside = grid[crank.travel(grid) <= 20.0] - crank.tdc_deg
    # Count of the contact past TDC and of the one short of it, TDC itself at count 0; the swing goes the long way round.
    after, before = (round(forward * float(deg) * 1000) for deg in (inside[-1], inside[0]))
    low, high = (after, before + cpr) if forward > 0 else (before, after + cpr)
    half = (low + high) // 2
    crank_counts = np.array([half, high, low, high, low, half], dtype=np.int64)
    plain = by_stop(stop_capture(crank_counts, cpr), None, forward).count.value - 0.5
    mended = by_stop(stop_capture(crank_counts, cpr), crank, forward).count.value - 0.5

    def off(count: float) -> float:
        return forward * ((count + cpr / 2) % cpr - cpr / 2) / 1000

    assert off(plain) == pytest.approx(0.248769, abs=0.002)
    assert off(mended) == pytest.approx(0.0, abs=0.002)


def test_the_capture_that_shows_no_tdc_is_named() -> None:
    """Of several captures of a stop nobody can guess which one it was."""
    with pytest.raises(DataError, match=r"^stop\.csv: the crank was not turned to both sides of the stop: .*missing\. Swing"):
        by_stop(stop_capture(path(1000, 2000)), None, 1)
    followed = stop_capture(path(0, 1000))
    followed = replace(followed, header=replace(followed.header, step="travel", channels=("piston",)), path="travel.csv")
    with pytest.raises(DataError, match=r"^travel\.csv: the indicator on the piston did not move enough"):
        by_travel(followed, Rig(), slider_crank(86.0, 145.0, 0.0), 1)
    unnamed = replace(stop_capture(path(1000, 2000)), path="")
    with pytest.raises(DataError, match=r"^the crank was not turned"):
        by_stop(unnamed, None, 1)


@pytest.mark.parametrize("forward", [1, -1])
@pytest.mark.parametrize("eccentric_deg", [0.0, 75.0, 200.0])
def test_an_encoder_off_center_reads_otherwise_at_the_top_than_at_the_contacts(eccentric_deg: float, forward: int) -> None:
    """Against the simulator's encoder: the middle of its readings at the contacts, and its reading at TDC itself."""
    encoder = Encoder(cpr=10_000, eccentric=math.radians(0.1), eccentric_deg=eccentric_deg, direction=forward)
    low, top, high, bottom = encoder.reading(np.array([-35.0, 0.0, 35.0, 180.0]))
    cosine = (forward * (top - bottom) * 360.0 / encoder.cpr + 180.0) / 2  # a once-a-turn error is the opposite half a turn on
    known = Quantity(float(cosine), {Source("off center"): 0.01})
    found = TdcFound(Quantity(float(low + high) / 2), encoder.cpr, "stop", unswept_deg=70.0, cosine=known)
    assert found.at_top(forward).value == pytest.approx(top, abs=0.01)
    assert found.at_top(forward).u == pytest.approx(0.01 * (1 - math.cos(math.radians(35.0))) * encoder.cpr / 360.0)
    assert replace(found, unswept_deg=0.0).at_top(forward) == found.count


@pytest.mark.parametrize("forward", [1, -1])
@pytest.mark.parametrize("eccentric_deg", [75.0, 200.0])
def test_stop_and_travel_agree_of_an_encoder_off_center_whichever_way_it_counts(eccentric_deg: float, forward: int) -> None:
    """Both are exact, and lie 0.03 and 0.01 degrees apart for no other reason; a knock of 0.1 degrees beside it is told as that."""
    encoder = Encoder(cpr=10_000, eccentric=math.radians(0.1), eccentric_deg=eccentric_deg, direction=forward)
    low, top, high, bottom = encoder.reading(np.array([-45.0, 0.0, 45.0, 180.0]))
    cosine = (forward * (top - bottom) * 360.0 / encoder.cpr + 180.0) / 2
    stop = TdcFound(Quantity(float(low + high) / 2, {Source("stop"): 0.01}), encoder.cpr, "stop", unswept_deg=90.0)
    travel = TdcFound(Quantity(float(top)), encoder.cpr, "travel", cosine=Quantity(float(cosine)))
    assert disagree.look(stop, travel, forward) is None
    found = disagree.look(replace(stop, count=stop.count + 0.1 * encoder.cpr / 360.0), travel, forward)
    assert isinstance(found, Seen)
    assert "lie 0.10 degrees apart" in found.seen
