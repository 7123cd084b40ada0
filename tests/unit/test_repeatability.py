"""How well numbers repeat: the study of many sweeps, against a published gauge study, and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

from acquire.cli import run
from acquire.simulator.scenarios import Scenario as Named
from analysis.base.errors import DataError
from analysis.decision.repeatability import Repeatability, repeatability
from analysis.decision.sweep_by_sweep import OneSweep
from analysis.lobe.result import Lobe
from tests.handbook import aiag
from tests.lobes_laid import changed, measured_lobe
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT
from tests.statistics.trials import Scenario, rig_of

SCHEMA = json.loads((resources.files("analysis") / "repeatability.schema.json").read_text(encoding="utf-8"))


@cache
def base() -> Lobe:
    return measured_lobe(rig_of(Scenario(0.25, 0.01, "edge", 1, "cycloidal"), 1), "base")


def sweep(cylinder: int, operator: str, centerline: float, number: int, mm: float = 0.0) -> OneSweep:
    """A sweep of one lobe whose centerline came out so, and that lies so much higher."""
    lobe = changed(base(), lambda _, lift: mm * np.clip(lift / 0.02, 0.0, 1.0)) if mm else base()
    header = lobe.swept.sweep.header
    header = replace(header, identity=replace(header.identity, operator=operator), link=f"{cylinder} {number} {operator}")
    capture = replace(lobe.swept.sweep.capture, header=header)
    lobe = replace(
        lobe,
        cylinder=cylinder,
        events=(),
        centerlines=replace(lobe.centerlines, equal_lift=lobe.centerline.moved(centerline)),
        swept=replace(lobe.swept, sweep=replace(lobe.swept.sweep, capture=capture)),
    )
    return OneSweep(f"intake-{number}.csv", lobe, "engine")


def of(study: Repeatability, name: str) -> dict[str, float]:
    (found,) = [each for each in study.numbers if each.name == name]
    return {"s_r": found.s_r, "s_R": found.s_big_r or 0.0, "parts": found.gauge.parts, "ndc": found.gauge.categories}


def test_the_study_of_a_handbook_as_sweeps_of_ten_cylinders_by_three_operators() -> None:
    """AIAG MSA 4th ed., as tests/unit/test_precision.py has it, each reading as a centerline about 107 degrees."""
    data = aiag()
    sweeps = [sweep(int(row.part) + 1, str(row.group), 107.0 + row.value, k) for k, row in enumerate(data.itertuples())]
    (study,) = repeatability(sweeps, "operator")
    found = of(study, "centerline")
    assert found["s_r"] == pytest.approx(0.199933180, rel=1e-5)
    assert found["s_R"] == pytest.approx(0.302371522, rel=1e-5)
    assert found["parts"] == pytest.approx(1.042327494, rel=1e-5)
    assert found["ndc"] == 4
    (number,) = [each for each in study.numbers if each.name == "centerline"]
    width = 2 * base().job.specification.tolerance.centerline_deg
    assert number.of_tolerance == pytest.approx(100 * 6 * 0.302371522 / width, rel=1e-5)
    assert number.outliers == ()
    assert study.groups == ("A", "B", "C")


def test_profiles_that_an_operator_sets_higher_are_reproduced_worse_than_repeated() -> None:
    """Operator B zeroes 0.04 mm higher; each repeats to 0.002 mm or so."""
    rng = np.random.default_rng(2)
    sweeps = [
        sweep(1, who, 107.0 + rng.normal(), k, (0.04 if who == "B" else 0.0) + 0.002 * rng.normal())
        for who in ("A", "B")
        for k in range(4)
    ]
    (study,) = repeatability(sweeps, "operator")
    nose = np.argmin(np.abs(study.deg - base().causes.peak_deg))
    assert 0.0005 < study.s_r_mm[nose] < 0.005
    assert study.s_big_r_mm[nose] == pytest.approx(0.04 / np.sqrt(2), rel=0.15)


def test_an_outlier_is_said() -> None:
    rng = np.random.default_rng(3)
    values = [*(107.0 + 0.05 * rng.normal(size=11)), 110.0]
    (study,) = repeatability([sweep(1, "A", value, k) for k, value in enumerate(values)], "operator")
    (number,) = [each for each in study.numbers if each.name == "centerline"]
    assert any("Grubbs" in text for text in number.outliers)
    assert number.s_big_r is None


def test_captures_that_do_not_say_who_measured_are_refused() -> None:
    with pytest.raises(DataError, match="3 captures do not say who measured"):
        repeatability([sweep(1, "", 107.0 + k, k) for k in range(3)], "operator")


def test_two_sweeps_are_too_few() -> None:
    with pytest.raises(DataError, match="often enough"):
        repeatability([sweep(1, "A", 107.0 + k, k) for k in range(2)], "operator")


@pytest.fixture(scope="module")
def thrice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("thrice")
    text = demo_job(Named("short", "A short rig.", SHORT))
    job_folder(folder, text, SHORT, ("stop", "intake"))
    for seed in (2, 3):
        job_folder(folder, text, replace(SHORT, seed=seed), ("intake",))
    return folder


def test_the_command_prints_draws_and_writes(thrice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / "r.svg", tmp_path / "r.csv"]
    assert run(["repeatability", str(thrice), "--plot", str(files[0]), "--table", str(files[1])]) == 0
    out = capsys.readouterr().out
    assert "INTAKE: 3 sweeps of 1 lobe" in out
    assert "\n  centerline  " in out
    assert max(map(len, out.splitlines())) <= 80
    table = pd.read_csv(files[1])
    assert table[table.number == "centerline"].shape[0] == 3
    assert "<polyline" in files[0].read_text(encoding="utf-8")


def test_json_is_what_the_schema_documents(thrice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["repeatability", str(thrice), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(found, SCHEMA)
    (valve,) = found["valves"]
    assert len(valve["profile"]["deg"]) == len(valve["profile"]["s_r_mm"])
