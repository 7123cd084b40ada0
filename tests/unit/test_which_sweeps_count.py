"""Sweeps taken again, sweeps the wrong way, sweeps of another cylinder: what a result is made of, and what is said of the rest."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.simulator.train import Train
from analysis.base.errors import DataError
from analysis.base.samples import Capture
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Measurement
from tests.decided import late
from tests.recorded import captures
from tests.rigs import SHORT, job_for

SLACK = replace(SHORT, train=Train(slack_deg=2.4))


def named(capture: Capture, name: str, cylinder: int = 1) -> Capture:
    return replace(capture, path=f"captures/{name}.csv", header=replace(capture.header, cylinder=cylinder))


def backward(capture: Capture) -> Capture:
    """The same rows, the other way round."""
    s = capture.samples
    return replace(capture, samples=replace(s, crank=2 * s.crank[0] - s.crank))


@pytest.fixture(scope="module")
def recorded() -> dict[str, Capture]:
    stop, intake, exhaust, back = captures(SLACK, ("stop", "intake", "exhaust", "backward"))
    return {"stop": stop, "intake": intake, "exhaust": exhaust, "back": back}


def codes(found: Measurement) -> list[str]:
    return [caution.code for caution in found.findings]


def made_of(found: Measurement) -> list[str]:
    return [used.name for used in found.captures]


def test_a_sweep_taken_again_takes_the_place_of_the_first(recorded: dict[str, Capture]) -> None:
    """The first was of a camshaft four degrees early: neither its numbers nor its cautions nor its name are left."""
    (early,) = captures(replace(late(-4.0), train=SLACK.train), ("intake",))
    spiky = replace(early, samples=replace(early.samples, lift=early.samples.lift.copy()))
    spiky.samples.lift[0, 1000:9000:50] += 60
    taken = [named(recorded["stop"], "01"), named(spiky, "02"), named(recorded["intake"], "03")]
    alone, again = examine(job_for(SLACK), [taken[0], taken[2]]), examine(job_for(SLACK), taken)
    assert again.lobes == alone.lobes
    assert codes(again) == [*codes(alone), "sweeps-apart"]  # said, as nothing else shows whether it was meant
    assert made_of(again) == ["01.csv", "03.csv"]


def test_backward_motion_belongs_to_the_sweep_before_it(recorded: dict[str, Capture]) -> None:
    stop, intake, back = named(recorded["stop"], "01"), named(recorded["intake"], "02"), named(recorded["back"], "03")
    job = job_for(SLACK)
    (lobe,) = examine(job, [stop, intake, back]).lobes
    assert lobe.slack is not None
    assert lobe.slack.value == pytest.approx(2.4, abs=0.3)
    again = examine(job, [stop, intake, back, named(recorded["intake"], "04")])
    assert again.lobes[0].slack is None, "the camshaft may have been moved since"
    assert made_of(again) == ["01.csv", "04.csv"]


def test_a_sweep_that_went_backward_only_is_named(recorded: dict[str, Capture]) -> None:
    stop, intake = named(recorded["stop"], "01"), named(recorded["intake"], "02")
    found = examine(
        job_for(SLACK, rig={"direction": "up"}), [stop, intake, named(backward(recorded["exhaust"]), "03-sweep-exhaust")]
    )
    (caution,) = [caution for caution in found.findings if caution.code == "sweep-not-used"]
    assert "03-sweep-exhaust.csv" in caution.text
    assert "exhaust lobe" in caution.text
    assert [lobe.valve for lobe in found.lobes] == ["intake"]


def test_two_cylinders_are_not_mixed(recorded: dict[str, Capture]) -> None:
    taken = [named(recorded["stop"], "01"), named(recorded["intake"], "02"), named(recorded["intake"], "03", cylinder=3)]
    with pytest.raises(DataError, match="sweeps of cylinders 1, 3"):
        examine(job_for(SLACK), taken)


def test_a_sweep_without_a_base_circle_is_named(recorded: dict[str, Capture]) -> None:
    s = recorded["intake"].samples
    wavy = replace(s, lift=s.lift + (200 * ((s.crank // 40) % 2))[None, :])
    with pytest.raises(DataError) as error:
        examine(job_for(SLACK), [recorded["stop"], named(replace(recorded["intake"], samples=wavy), "02-sweep-intake")])
    assert "02-sweep-intake.csv" in error.value.where
