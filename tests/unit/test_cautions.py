"""Each caution is raised by a rig that earns it, says what was seen and what to do, and a sound rig earns none.

One way to earn each; what they have in common is asked of all.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.encoder import Encoder, Lost
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.piston_stop import Stop
from acquire.simulator.rig import Rig, Work
from acquire.simulator.train import Train
from analysis.base.finding import Finding
from analysis.base.samples import Capture
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Measurement
from tests.recorded import captures
from tests.rigs import SHORT, job_for, told

BOTH = ("stop", "intake", "exhaust")
OF_NO_VALVE = (
    "capture-incomplete",
    "started-again",
    "few-touches",
    "touches-spread",
    "pin-offset",
    "tdc-disagrees",
    "lift-hidden",
)
Change = Callable[[list[Capture]], list[Capture]]


def as_it_is(given: list[Capture]) -> list[Capture]:
    return given


def run(
    rig: Rig, phases: tuple[str, ...] = ("stop", "intake"), change: Change = as_it_is, /, **tables: dict[str, object]
) -> Measurement:
    return examine(job_for(rig, **tables), change(captures(rig, phases)))


def codes(found: Measurement) -> list[str]:
    return [caution.code for caution in told(found)]


def only(found: Measurement, code: str) -> Finding:
    """The one caution of this code, and no other code beside it."""
    assert set(codes(found)) == {code}
    first, *_ = told(found)
    for caution in told(found):
        if caution.code not in OF_NO_VALVE:
            assert re.search("intake|exhaust", caution.text, re.IGNORECASE), "which valve"
        assert re.fullmatch(r"[A-Za-z0-9].*[.]", caution.text), "whole sentences"
        assert len(caution.text) > 60, "what was seen, and what to do"
    return first


def number_in(caution: Finding, pattern: str) -> float:
    (found,) = re.findall(pattern, caution.text)
    return float(found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sound_rig_earns_none(seed: int) -> None:
    assert codes(run(replace(SHORT, seed=seed), BOTH)) == []


def cut_short(given: list[Capture]) -> list[Capture]:
    return [given[0], replace(given[1], complete=False, missing=("It is cut short: 3000 rows were read", "It was altered"))]


def test_a_capture_that_was_cut_short() -> None:
    caution = only(run(SHORT, ("stop", "intake"), cut_short), "capture-incomplete")
    assert caution.text.startswith(
        "intake-01.csv: It is cut short: 3000 rows were read. It was altered. The rows that are there were used; "
    )


def test_few_touches() -> None:
    caution = only(run(replace(SHORT, work=Work(touches=1, turns=4.2))), "few-touches")
    assert "at least twice" in caution.text


def test_touches_that_spread() -> None:
    caution = only(run(replace(SHORT, stop=Stop(give_deg=1.2), work=Work(touches=4, turns=4.2))), "touches-spread")
    assert 0.5 < number_in(caution, r"spread over ([0-9.]+) degrees") < 1.3
    assert "without force" in caution.text


def test_a_sound_stop_that_gives_a_little_is_not_blamed() -> None:
    assert codes(run(replace(SHORT, stop=Stop(give_deg=0.2)))) == []


def test_stop_and_travel_that_disagree() -> None:
    """Between the two the encoder was knocked by ten counts of 0.3 degrees, and nothing else saw it."""

    def knock(given: list[Capture]) -> list[Capture]:
        moved = replace(given[1].samples, crank=given[1].samples.crank + 10)
        return [given[0], replace(given[1], samples=moved), given[2]]

    phases = ("stop", "travel", "intake")
    assert codes(run(SHORT, phases)) == []
    caution = only(run(SHORT, phases, knock), "tdc-disagrees")
    assert number_in(caution, r"lie ([0-9.]+) degrees apart") == pytest.approx(3.0, abs=0.2)
    assert "pin offset" in caution.text


@pytest.mark.parametrize(("said", "is_"), [("intake", "exhaust"), ("exhaust", "intake")])
def test_the_indicator_on_the_other_valve(said: str, is_: str) -> None:
    def mislabel(given: list[Capture]) -> list[Capture]:
        header = given[1].header
        return [given[0], replace(given[1], header=replace(header, channels=(said,)))]

    found = run(SHORT, ("stop", is_), mislabel)
    caution = only(found, "wrong-valve")
    assert f"the {said} lobe" in caution.text
    assert found.lobes[0].valve == is_, "the curve is believed, not the label"
    assert number_in(caution, r"peaks ([0-9]+) degrees") == pytest.approx(108, abs=8)  # a first look, on a flat nose


def test_an_engine_that_is_turned_against_its_running_direction_looks_like_the_other_valve() -> None:
    """Running backward an intake lobe peaks before overlap TDC: the job's direction, or "auto", cannot know better."""
    rig = replace(SHORT, encoder=replace(SHORT.encoder, direction=-1))
    backward = captures(replace(rig, work=Work(touches=3, backward_turns=4.2)), ("stop", "backward"))
    found = examine(job_for(rig), backward)
    assert "wrong-valve" in codes(found)
    assert "turned backward, against its direction of rotation" in found.findings[0].text


def test_an_encoder_that_counts_down_is_no_fault() -> None:
    assert codes(run(replace(SHORT, encoder=replace(SHORT.encoder, direction=-1)), BOTH)) == []


def test_lost_counts_are_named_and_placed() -> None:
    rig = replace(SHORT, encoder=Encoder(cpr=1200, lost=(Lost(900.0, 20),)))
    found = run(rig)
    assert set(codes(found)) == {"board-faults", "counts-lost"}
    (caution,) = (c for c in found.findings if c.code == "counts-lost")
    assert number_in(caution, r"is off by ([-+0-9]+)") == -20
    assert number_in(caution, r"\(([-+0-9.]+) degrees\)") == -6.0
    low, high = (number_in(caution, pattern) for pattern in (r"counts ([-0-9]+) and", r"and ([-0-9]+) the count"))
    assert high - low == 1200 - 20


def test_counts_lost_before_the_next_sweep() -> None:
    found = run(replace(SHORT, encoder=Encoder(cpr=1200, lost=(Lost(900.0, 20),))), BOTH)
    assert set(codes(found)) == {"board-faults", "count-moved", "counts-lost"}
    (caution,) = (c for c in found.findings if c.code == "count-moved")
    assert number_in(caution, r"moved ([0-9.]+) degrees") == 6.0


def test_a_lifter_that_bleeds_down() -> None:
    found = run(replace(SHORT, train=Train(bleed_mm=0.5), hand=Hand(rest=(2.0, 3.5))))
    caution = told(found)[0]
    assert caution.code == "bleed-down", "what it does to the foot and to the passes comes behind it"
    assert "hydraulic" in caution.text
    assert "solid" in caution.text
    # 0.5 mm at the lobe, time constant 4 s, ratio 1.5: within a rest of 3.5 s at most 0.44 mm at the valve.
    assert 0.05 < number_in(caution, r"fell by ([0-9.]+) mm") < 0.45


def test_long_rests_of_a_solid_lifter_are_no_bleeding() -> None:
    assert codes(run(replace(SHORT, hand=Hand(rest=(2.0, 3.5))))) == []


def test_spikes_are_left_out_and_counted() -> None:
    found = run(replace(SHORT, indicators=(Indicator(spike_share=0.004),)))
    caution = only(found, "spikes")
    left_out, of = (number_in(caution, pattern) for pattern in (r"^Intake: ([0-9]+) of", r"of ([0-9]+) readings"))
    assert 0.002 < left_out / of < 0.006
    clean = run(SHORT)
    (dirty_event, event) = (f.lobes[0].events[3] for f in (found, clean))
    assert dirty_event.opens.value == pytest.approx(event.opens.value, abs=0.03)


def test_a_reading_that_falls_as_the_valve_opens() -> None:
    rig = replace(SHORT, indicators=(Indicator(sign=-1),))
    found = run(rig)
    assert "indicator_sign = -1" in only(found, "sign-flipped").text
    told = run(rig, rig={"indicator_sign": -1})
    assert codes(told) == []
    for one, other in zip(found.lobes[0].events, told.lobes[0].events, strict=True):
        assert one.opens.value == pytest.approx(other.opens.value, abs=1e-6)


def test_a_base_circle_that_runs_out() -> None:
    caution = only(run(replace(SHORT, train=Train(runout_mm=0.06), work=Work(touches=3, turns=6.0)), BOTH), "runout")
    assert 0.03 < number_in(caution, r"runout is ([0-9.]+) mm TIR") < 0.2


def test_speed_that_never_varies_cannot_tell_the_lag() -> None:
    """The same sweep with its clock set to a steady ten degrees a second: nothing tells lag from angle, and the whole bound of
    the lag, 0 to 0.15 s, is in the budget: rectangular, 0.95 of half of it times the speed.
    """

    def steady(given: list[Capture]) -> list[Capture]:
        capture = given[1]
        s, gone = capture.samples, np.maximum.accumulate(capture.samples.crank - capture.samples.crank[0])
        moving = ~s.still & (np.diff(gone, prepend=-1) > 0)
        time_us = np.rint(gone[moving] * 0.3 / 10.0 * 1e6).astype(np.int64)
        rows = {name: getattr(s, name)[..., moving] for name in ("seq", "crank", "flags", "origin", "lift")}
        samples = replace(s, time_us=time_us, age_us=np.zeros((1, time_us.size), dtype=np.int64), **rows)
        at = np.interp(capture.index.crank, samples.crank, time_us)
        return [given[0], replace(capture, samples=samples, index=replace(capture.index, time_us=at.astype(np.int64)))]

    hand = Hand(rollback_share=0.0, bump_share=0.0)
    found = run(replace(SHORT, hand=hand), ("stop", "intake"), steady)
    assert "Turn some passes slower" in only(found, "latency-unknown").text
    event = found.lobes[0].events[3]
    assert event.opens.u95 == pytest.approx(0.95 * 0.075 * 10.0, rel=0.15)
    assert event.duration.u95 < 0.1, "an unknown lag moves both events alike"


def test_lifts_that_lash_hides() -> None:
    """0.15 mm at the lobe x 1.5 = 0.225 mm, less 0.22 mm of lash: below two steps of the indicator."""
    rig = replace(SHORT, train=Train(lash_mm=0.22))
    found = run(rig)
    caution = only(found, "lift-hidden")
    assert "0.15 mm at the lobe" in caution.text
    assert "0.22 mm" in caution.text
    assert [event.lift_mm for event in found.lobes[0].events] == [0.5, 1.0, 1.27, 2.54]


def test_all_lifts_hidden_leaves_the_centerlines() -> None:
    found = run(replace(SHORT, train=Train(lash_mm=0.22)), measure={"checking_lifts_mm": [0.1, 0.15]})
    assert codes(found) == ["lift-hidden", "lift-hidden"]
    lobe = found.lobes[0]
    assert lobe.events == ()
    assert lobe.centerlines.event_midpoint == lobe.centerlines.equal_lift


def test_no_caution_is_said_twice() -> None:
    found = run(replace(SHORT, work=Work(touches=1, turns=4.2)), BOTH)
    assert len(set(found.findings)) == len(found.findings)


def test_a_slow_gauge_counts_each_reading_once() -> None:
    """Ten readings a second, repeated by every sample with a growing age: as many readings as the gauge sent, all distinct."""
    rig = replace(SHORT, indicators=(Indicator(per_s=10.0, latency_s=0.06),))
    found = run(rig)
    readings = found.intake.swept.readings
    capture = captures(rig, ("stop", "intake"))[1]
    latched_ms = np.rint((capture.samples.time_us - capture.samples.age_us[0]) / 1000)
    assert readings.time_s.size == np.unique(latched_ms).size
    assert readings.time_s.size < 0.5 * capture.samples.seq.size
    assert np.diff(readings.time_s).min() > 0.05
    assert codes(found) == []
    lag = found.lobes[0].lag
    assert lag is not None
    assert lag.value == pytest.approx(60.0, abs=max(2.0, 1.5 * lag.u95))
