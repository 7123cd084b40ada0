"""TDC is found in one capture and needed in another: by the board's own count, by the index pulse, or not at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.scenarios import SCENARIOS
from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Board, Capture, Header, IndexPulses, Samples
from analysis.diagnosis.contact_rules import count_moved
from analysis.diagnosis.rule import Seen
from analysis.tdc.carrying import carry_tdc, same_count
from analysis.tdc.stop import TdcFound
from tests.rigs import measured, told

CPR = 1000
STOP_COUNT = Quantity(412.5, {Source("TDC"): 0.2})


def capture(
    first: int, index: tuple[int, ...] = (), *, link: str = "", boot: int = 0, cpr: int = CPR, name: str = "a"
) -> Capture:
    """A capture whose count begins at `first`, with index pulses at these counts."""
    n = 50
    zero, at = np.zeros(n, dtype=np.int64), np.array(index, dtype=np.int64)
    samples = Samples(np.arange(n), np.arange(n), first + np.arange(n), zero, zero, zero[None, :], zero[None, :])
    header = Header(Board(cpr, True, "edge", (0.01,), ("mm",), name, boot), "sweep", 1, ("intake",), link=link)
    pulses = IndexPulses(np.arange(at.size), at, np.zeros(at.size, dtype=np.int64))
    return Capture(header, samples, pulses, (), (), (), True, (), "", "intake-01.csv")


FOUND = TdcFound(STOP_COUNT, CPR, "stop")


def test_one_connection_or_one_start_shares_its_count() -> None:
    a, b = capture(0, link="x").header, capture(0, link="y").header
    assert a is not None
    assert b is not None
    assert same_count(a, replace(b, link="x"))
    assert not same_count(a, b)
    assert not same_count(replace(a, link=""), replace(b, link=""))
    one, two = (replace(h, board=replace(h.board, boot=7)) for h in (a, b))
    assert same_count(one, two)
    assert not same_count(one, replace(two, board=replace(two.board, name="b")))
    assert not same_count(one, replace(two, board=replace(two.board, boot=8)))


def test_the_count_went_on() -> None:
    count, moved_deg = carry_tdc(FOUND, capture(0, (212,), link="x"), capture(5000, (5212, 6212), link="x"))
    assert count is STOP_COUNT or (count.value, count.u) == (412.5, STOP_COUNT.u)
    assert moved_deg == 0.0
    count, moved_deg = carry_tdc(FOUND, capture(0, boot=4), capture(5000, boot=4))
    assert (count.value, moved_deg) == (412.5, 0.0)


def test_a_new_start_with_an_index_pulse() -> None:
    """The pulse was at 212 when TDC was 412.5; now it is at 40: TDC is at 240.5, a little less sure."""
    for boot in (0, 8):
        count, moved_deg = carry_tdc(FOUND, capture(0, (212,), link="x", boot=7), capture(0, (40, 1040), link="y", boot=boot))
        assert count.value % CPR == pytest.approx(240.5)
        assert count.u95 > STOP_COUNT.u95
        assert moved_deg == 0.0


@pytest.mark.parametrize(("here", "there"), [((), (40,)), ((212,), ()), ((), ())])
def test_a_new_start_without_an_index_pulse(here: tuple[int, ...], there: tuple[int, ...]) -> None:
    with pytest.raises(DataError, match="started again") as refused:
        carry_tdc(FOUND, capture(0, here, link="x"), capture(0, there, link="y"))
    assert refused.value.do
    assert refused.value.where == "intake-01.csv"


def test_counts_lost_in_between_are_put_right_and_said() -> None:
    count, moved_deg = carry_tdc(FOUND, capture(0, (212,), link="x"), capture(5000, (5172, 6172), link="x"))
    assert count.value % CPR == pytest.approx(372.5)
    assert moved_deg == pytest.approx(14.4)  # 40 of 1000 counts
    seen = count_moved.look(moved_deg)
    assert isinstance(seen, Seen)
    assert "14.40 degrees" in seen.seen


def test_one_count_is_no_slip() -> None:
    """A pulse one count off between two directions of turning is the pulse's width."""
    count, moved_deg = carry_tdc(FOUND, capture(0, (212,), link="x"), capture(5000, (5213,), link="x"))
    assert (count.value, moved_deg) == (412.5, 0.0)


@pytest.mark.parametrize("up", [1, -1])
@pytest.mark.parametrize("index", [True, False])
def test_a_count_that_ran_over_in_between(up: int, index: bool) -> None:
    """The board's count goes on from 2^31 - 1 at -2^31: 2^32 counts, which are not a whole number of turns."""
    far = 2**31 - 100
    before, after = up * far, up * (far + 3000) - up * 2**32
    tdc = replace(FOUND, count=Quantity(up * far + 412.5))
    pulse = up * far + 77
    source = capture(before, (pulse,) if index else (), link="x")
    target = capture(after, (pulse + 2 * CPR * up - up * 2**32,) if index else (), link="x")
    count, moved_deg = carry_tdc(tdc, source, target)
    assert (count.value + up * 2**32 - tdc.count.value) % CPR == pytest.approx(0.0)
    assert moved_deg == 0.0


def test_a_whole_job_with_counters_that_run_over() -> None:
    scenario = SCENARIOS["run-over"]
    found, true = measured(scenario.rig)
    assert told(found) == []
    for lobe in found.lobes:
        assert lobe.centerline.value == pytest.approx(true.lobe(lobe.valve).centerline_by["equal_lift"], abs=0.1)


def test_another_encoder_is_refused() -> None:
    with pytest.raises(DataError, match="1000 counts a turn when TDC was found and has 2400") as refused:
        carry_tdc(FOUND, capture(0, link="x"), capture(0, link="x", cpr=2400))
    assert refused.value.do
