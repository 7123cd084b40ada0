"""Angles: one domain, and the words of the trade."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.angles import degrees, label, wrap
from analysis.base.errors import UsageError

# Valve timing of the TCC-III research engine (University of Michigan, motored data set README p. 11), in degrees after exhaust
# TDC: IVO 712.8, IVC 240.8, EVO 484.8, EVC 12.8; the words are those of its table.
TCC_III: list[tuple[float, str, str]] = [
    (712.8, "intake opens", "7.2 BTDC"),
    (240.8, "intake closes", "60.8 ABDC"),
    (484.8, "exhaust opens", "55.2 BBDC"),
    (12.8, "exhaust closes", "12.8 ATDC"),
]


@pytest.mark.parametrize(("deg", "happening", "words"), TCC_III)
def test_the_published_timing_of_a_research_engine_reads_as_published(deg: float, happening: str, words: str) -> None:
    assert label(deg, happening) == words


@pytest.mark.parametrize(
    ("deg", "happening", "words"),
    [
        (-17.0, "intake opens", "17.0 BTDC"),
        (222.0, "intake closes", "42.0 ABDC"),
        (5.0, "intake opens", "5.0 ATDC"),  # a late opening turns into the other word, not a minus
        (170.0, "intake closes", "10.0 BBDC"),
        (-170.0, "exhaust opens", "10.0 ABDC"),
        (-3.2218, "exhaust closes", "3.2 BTDC"),
        (0.04, "intake opens", "0.0 TDC"),
        (-0.04, "intake opens", "0.0 TDC"),
        (180.0, "intake closes", "0.0 BDC"),
        (107.0, "intake centerline", "107.0 ATDC"),
        (-110.0, "exhaust centerline", "110.0 BTDC"),
        (223.6, "overlap", "43.6 ABDC"),  # half a turn and more is read from the next dead center
        (-290.0, "exhaust centerline", "110.0 BBDC"),
        (-180.0, "overlap", "0.0 BDC"),
        (370.0, "intake closes", "10.0 ATDC"),
        (-3.1, "advance", "3.1 retarded"),
    ],
)
def test_an_angle_reads_as_the_trade_says_it(deg: float, happening: str, words: str) -> None:
    assert label(deg, happening) == words


def test_an_unknown_happening_is_refused() -> None:
    with pytest.raises(UsageError, match="no reference"):
        label(0.0, "intake sings")


@given(st.floats(-1e7, 1e7))
def test_wrapping_stays_inside_and_changes_only_whole_cycles(deg: float) -> None:
    inside = float(wrap(deg))
    assert -360.0 <= inside < 360.0
    cycles = (deg - inside) / 720.0
    assert cycles == pytest.approx(round(cycles), abs=1e-9)


@given(st.floats(-1000, 1000), st.sampled_from(["intake opens", "intake closes", "exhaust opens", "exhaust closes"]))
def test_the_words_never_hold_a_minus_and_can_be_read_back(deg: float, happening: str) -> None:
    number, word = label(deg, happening, 3).split()
    assert 0 <= float(number) <= 180
    after = float(number) if word.startswith("A") else -float(number)
    centers = (-180.0, 180.0) if word.endswith("BDC") else (0.0, 360.0)
    off = [abs(float(wrap(center + after - deg + 360.0))) for center in centers]
    assert max(off) == pytest.approx(360.0, abs=6e-4)


def test_counts_become_degrees_either_way_round() -> None:
    np.testing.assert_allclose(degrees([100, 700, 1300], cpr=2400, tdc_count=100.0), [0.0, 90.0, 180.0])
    np.testing.assert_allclose(degrees([100, -500], cpr=2400, tdc_count=100.0, direction=-1), [0.0, 90.0])
    with pytest.raises(UsageError):
        degrees([1], cpr=0)
    with pytest.raises(UsageError):
        degrees([1], cpr=2400, direction=0)
