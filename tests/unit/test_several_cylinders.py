"""`lobetrace analyze` where more cylinders than one were swept: each has a sheet of its own, and none stands in another's place."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from acquire.cli import run
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from analysis.base.selection import only
from analysis.decision.cylinders import measure_cylinders
from analysis.decision.decide import decide
from analysis.live.partial import result_so_far
from tests.recorded import captures, demo_job, job_folder
from tests.rigs import SHORT, job_for


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The intake of cylinder 1, and the exhaust of cylinder 3, whose TDC comes half a turn later (1-3-4-2)."""
    folder = job_folder(tmp_path_factory.mktemp("two"), demo_job(Scenario("short", "", SHORT)), SHORT)
    exhaust = folder / "captures" / "exhaust-01.csv"
    header, rows = exhaust.read_text(encoding="utf-8").split("\nseq,", 1)
    half_a_turn = SHORT.encoder.cpr // 2
    later = re.sub(r"(?m)^(\d+,\d+),(-?\d+)", lambda m: f"{m[1]},{int(m[2]) + half_a_turn}", rows)
    later = re.sub(r"(?m)^# .*\n", "", later)
    exhaust.write_text(header.replace('"cylinder": 1', '"cylinder": 3') + "\nseq," + later, encoding="utf-8")
    return folder


def test_each_cylinder_has_its_own_sheet(two: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", str(two)]) == 0
    first, third = capsys.readouterr().out.split("CAMSHAFT SHEET\n")[1:]
    assert "cylinder 1 of 4" in first
    assert "INTAKE LOBE, cylinder 1" in first
    assert "EXHAUST LOBE" not in first
    assert "cylinder 3 of 4" in third
    assert "EXHAUST LOBE, cylinder 3" in third
    assert "INTAKE LOBE" not in third


def test_the_other_cylinders_stand_beside_the_first_in_json(two: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", str(two), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    schema = json.loads((resources.files("analysis") / "result.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(found)
    assert [(lobe["cylinder"], lobe["valve"]) for lobe in found["lobes"]] == [(1, "intake")]
    (other,) = found["others"]
    assert [(lobe["cylinder"], lobe["valve"]) for lobe in other["lobes"]] == [(3, "exhaust")]
    centerline = truth(SHORT).lobe("exhaust").centerline_by["equal_lift"]  # after its own TDC, as cylinder 1's after that of 1
    assert other["lobes"][0]["centerline_deg"]["value"] == pytest.approx(
        centerline, abs=other["lobes"][0]["centerline_deg"]["u95"]
    )
    del other["lobes"][0]["centerline_deg"]["u95"]
    with pytest.raises(jsonschema.ValidationError, match="u95"):
        jsonschema.Draft202012Validator(schema).validate(found)


def test_another_cylinder_alone_is_measured_from_its_own_tdc() -> None:
    """TDC was found on the first; half a turn further on an intake lobe would pass for one of the exhaust."""
    stop, intake = captures(SHORT, ("stop", "intake"))
    later = replace(intake.samples, crank=intake.samples.crank + SHORT.encoder.cpr // 2)
    third = replace(intake, header=replace(intake.header, cylinder=3), samples=later)
    (first,), (alone,) = (measure_cylinders(job_for(SHORT), [stop, one]).values() for one in (intake, third))
    assert alone.lobes[0].cylinder == 3
    assert alone.lobes[0].valve == "intake"
    assert alone.lobes[0].centerline.value == pytest.approx(first.lobes[0].centerline.value, abs=0.01)


@pytest.mark.parametrize("share", [0.4, 0.9])
def test_the_live_screen_measures_another_cylinder_from_its_own_tdc_too(share: float) -> None:
    """In the middle of a sweep and later its events are those of the first cylinder, swept half a turn earlier."""
    stop, intake = captures(SHORT, ("stop", "intake"))
    begun = only(intake.samples, slice(int(share * intake.samples.seq.size)))
    later = replace(begun, crank=begun.crank + SHORT.encoder.cpr // 2)
    first = replace(intake, samples=begun)
    third = replace(intake, header=replace(intake.header, cylinder=3), samples=later)
    here, there = (result_so_far(job_for(SHORT), [stop], c).events["intake"] for c in (first, third))
    assert here
    for one, other in zip(here, there, strict=True):
        assert one.opens is not None
        assert other.opens is not None
        assert other.opens.value == pytest.approx(one.opens.value, abs=0.01)


def test_a_sheet_of_another_cylinder_than_the_jobs_says_so() -> None:
    third = [replace(c, header=replace(c.header, cylinder=3)) for c in captures(SHORT) if c.header]
    decision = decide(job_for(SHORT), third)
    assert {lobe.cylinder for lobe in decision.measured.lobes} == {decision.job.measure.cylinder} == {3}
