"""How well numbers repeat: the study of many sweeps, against a published gauge study, and the command."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

from acquire.cli import run
from acquire.simulator.rig import Work
from acquire.simulator.scenarios import Scenario as Named
from analysis.base.errors import DataError
from analysis.base.precision import interval, mandel_limits
from analysis.decision.repeatability import Repeatability, repeatability
from analysis.decision.sweep_by_sweep import OneSweep
from analysis.lobe.result import Lobe
from analysis.report.repeatability_report import repeatability_charts, repeatability_json, repeatability_text
from tests.handbook import aiag
from tests.lobes_laid import changed, measured_lobe
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT
from tests.statistics.trials import Scenario, rig_of

SLACK = 0.4
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


def test_each_sweep_under_a_condition_of_its_own_tells_reproducibility_alone() -> None:
    """What five sweeps by five operators differ by is s_R, whatever of it is repeatability: the interval is chi-squared's with 4."""
    values = np.array([107.0, 107.4, 106.9, 107.1, 107.8])
    (study,) = found = repeatability(
        [sweep(1, who, value, k) for k, (who, value) in enumerate(zip("ABCDE", values, strict=True))], "operator"
    )
    (number,) = study.numbers
    assert number.s_r is None
    assert number.interval_r is None
    assert number.s_big_r == pytest.approx(values.std(ddof=1))
    assert number.interval_big_r == pytest.approx(interval(float(values.std(ddof=1)), 4))
    text = repeatability_text(found, "mm")
    assert "No lobe was swept twice under one operator: s_r cannot be told from s_R." in text
    assert re.search(r"^  centerline +- ", text, re.MULTILINE)
    jsonschema.validate(json.loads(json.dumps(repeatability_json(found))), SCHEMA)


def test_captures_that_do_not_say_who_measured_are_refused() -> None:
    with pytest.raises(DataError, match="3 captures do not say who measured"):
        repeatability([sweep(1, "", 107.0 + k, k) for k in range(3)], "operator")


def test_two_sweeps_are_too_few() -> None:
    with pytest.raises(DataError, match="often enough"):
        repeatability([sweep(1, "A", 107.0 + k, k) for k in range(2)], "operator")


def test_mandels_h_and_k_are_those_of_the_table_by_hand() -> None:
    """The handbook's study again, with pandas: each operator's mean of a part against the others', and standard deviations."""
    data = aiag()
    sweeps = [sweep(int(row.part) + 1, str(row.group), 107.0 + row.value, k) for k, row in enumerate(data.itertuples())]
    (study,) = repeatability(sweeps, "operator")
    (number,) = [each for each in study.numbers if each.name == "centerline"]
    cells = data.groupby(["part", "group"]).value
    means, spread = cells.mean().unstack(), cells.std().unstack()
    h = means.sub(means.mean(axis=1), axis=0).div(means.std(axis=1), axis=0)
    k = spread.div(np.sqrt((spread**2).mean(axis=1)), axis=0)
    assert len(number.consistency) == 30
    for one in number.consistency:
        part = int(one.part.split()[2]) - 1
        assert one.h is not None
        assert one.k is not None
        assert one.h.value == pytest.approx(h.loc[part, one.group], abs=1e-9)
        assert one.k.value == pytest.approx(k.loc[part, one.group], abs=1e-9)
        assert one.k.limits == pytest.approx((mandel_limits(3, 3)[1], 1.64), abs=6e-3)  # ISO 5725-2:1994, table 6


def test_an_operator_who_is_off_and_one_who_scatters_are_marked() -> None:
    rng = np.random.default_rng(5)
    rows = [(who, 107.0 + 0.02 * rng.normal()) for who in "ABCDEF" for _ in range(4)]
    rows = [(who, 107.0 + (20.0 * (value - 107.0) if who == "B" else value - 107.0)) for who, value in rows]
    rows = [(who, value + (3.0 if who == "E" else 0.0)) for who, value in rows]
    found = repeatability([sweep(1, who, value, k) for k, (who, value) in enumerate(rows)], "operator")
    (number,) = [each for each in found[0].numbers if each.name == "centerline"]
    assert {one.group for one in number.consistency if one.h and one.h.beyond == 0.01} == {"E"}
    assert {one.group for one in number.consistency if one.k and one.k.beyond == 0.01} == {"B"}
    text = repeatability_text(found, "mm")
    assert max(map(len, text.splitlines())) <= 80
    first, second = [line for line in text.splitlines() if line.startswith("  centerline ")][1:]  # the first is of s_r and s_R
    assert [cell.endswith("**") for cell in first.split()[1:]] == [False, False, False, True, False, False]
    assert [cell.endswith("**") for cell in second.split()[1:]] == [False, False, True, False, False, False]
    charts = repeatability_charts(found, "mm")
    assert [chart.name for chart in charts[-2:]] == ["mandel-h-intake", "mandel-k-intake"]
    assert [curve.name for curve in charts[-1].curves] == [*"ABCDEF", "5 %", "1 %"]
    jsonschema.validate(json.loads(json.dumps(repeatability_json(found))), SCHEMA)


def test_a_single_condition_has_neither(thrice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["repeatability", str(thrice)]) == 0
    out = capsys.readouterr().out
    assert "Mandel" not in out
    assert "Reversal value" not in out


@pytest.fixture(scope="module")
def turned_back(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sweeps, each with its way back in a capture of its own behind it."""
    rig = replace(SHORT, train=replace(SHORT.train, slack_deg=SLACK), work=Work(touches=3, turns=4.2, backward_turns=2.2))
    folder = tmp_path_factory.mktemp("back")
    for seed, phases in enumerate((("stop", "intake", "backward"), ("intake", "backward"), ("intake", "backward"))):
        job_folder(folder, demo_job(Named("short", "A short rig.", rig)), replace(rig, seed=seed + 1), phases)
    for k in (1, 2, 3):
        for step, phase in ((2 * k, "intake"), (2 * k + 1, "backward")):
            (folder / "captures" / f"{phase}-{k:02d}.csv").rename(folder / "captures" / f"{step:02d}-{phase}.csv")
    return folder


def test_reversal_values_over_the_sweeps(turned_back: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["repeatability", str(turned_back), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    reversal = found["valves"][0]["reversal"]
    assert {(each["flank"], each["n"]) for each in reversal["positions"]} == {("opening", 3), ("closing", 3)}
    for each in (*reversal["positions"],):
        assert abs(each["mean_deg"]["value"] - SLACK) <= 1.5 * each["mean_deg"]["u95"]
    assert abs(reversal["mean_deg"]["value"] - SLACK) <= reversal["mean_deg"]["u95"] < 0.05
    assert reversal["largest_deg"]["value"] == max(each["mean_deg"]["value"] for each in reversal["positions"])
    assert run(["repeatability", str(turned_back)]) == 0
    out = capsys.readouterr().out
    assert "    opening at 1.27 mm at the lobe " in out
    assert "    mean reversal value " in out
    assert max(map(len, out.splitlines())) <= 80


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
