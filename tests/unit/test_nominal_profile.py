"""A lobe against its nominal profile: the table, the fit, the zone, and what `profile` and `check` say of it.

The nominal is the TCC-III intake lobe (University of Michigan, doi 10.7302/Z2MS3QP) as tests/statistics/trials.py holds it.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.cli import run
from acquire.simulator.cam import Cam
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario as Named
from analysis.base.errors import LobetraceError, UsageError
from analysis.compare.nominal import Nominal
from analysis.compare.nominal_fit import ProfileFit, fit_profile
from analysis.decision.line_profile import judged
from analysis.job.lift_table import LiftTable, parse_lift_table
from analysis.lobe.result import Lobe
from tests.left_out import thorough
from tests.lobes_laid import bench_job, changed, measured_lobe
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT
from tests.statistics.trials import RATIO, Scenario, rig_of, tcc3

SCENARIO = Scenario(0.15, 0.01, "edge", 3, "tcc-iii")
SCHEMA = json.loads((resources.files("analysis") / "profile.schema.json").read_text(encoding="utf-8"))


def csv_of(angle: str = "cam_deg", lift: str = "lift_mm") -> bytes:
    """The nominal lobe as a file, in either unit."""
    lobe = tcc3()
    turn, per = {"cam_deg": 1.0, "crank_deg": 2.0}[angle], {"lift_mm": 1.0, "lift_in": 25.4}[lift]
    rows = (f"{deg * turn:g},{mm / per:.7f}" for deg, mm in zip(lobe.cam_deg, lobe.lift_mm, strict=True))
    return ("# the lobe as it was drawn\n" + "\n".join([f"{angle},{lift}", *rows]) + "\n").encode()


@cache
def table() -> LiftTable:
    return parse_lift_table(csv_of(), where="nominal.csv")


@cache
def lobe(seed: int) -> tuple[Lobe, float]:
    """A measured lobe and where its nose is."""
    rig = rig_of(SCENARIO, seed)
    return measured_lobe(rig, f"profile {seed}"), rig.cam.nose_deg("intake")


@pytest.mark.parametrize(("angle", "lift"), [("cam_deg", "lift_in"), ("crank_deg", "lift_mm"), ("crank_deg", "lift_in")])
def test_a_table_says_the_same_in_every_unit(angle: str, lift: str) -> None:
    other = parse_lift_table(csv_of(angle, lift), where="nominal.csv")
    assert other.crank_deg == pytest.approx(table().crank_deg)
    assert other.lift_mm == pytest.approx(table().lift_mm, abs=1e-5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("deg,lift_mm\n1,2\n", "no angle column"),
        ("cam_deg,crank_deg,lift_mm\n1,2,3\n", "more than one angle column"),
        ("cam_deg,lift\n1,2\n", "no lift column"),
        ("cam_deg,lift_mm\n1,2\n", "1 rows, 12 are needed"),
        ("cam_deg,lift_mm\n" + "\n".join(f"{k},1,0" for k in range(12)) + "\n12,x\n", "lacks a number"),
        ("cam_deg,lift_mm\n" + "".join(f"{k % 7},{k}\n" for k in range(14)), "does not grow"),
        ("cam_deg,lift_mm\n" + "".join(f"{k},{40 * k}\n" for k in range(14)), "is no lobe's"),
        ("cam_deg,lift_mm\n" + "".join(f"{k},0.01\n" for k in range(14)), "less than 1 mm"),
        ("cam_deg,lift_mm\n" + "".join(f"{40 * k},{k}\n" for k in range(14)), "longer than a turn"),
        ("\xff\xfe", "no UTF-8"),
    ],
)
def test_a_table_that_is_none_is_refused_with_a_reason(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said) as refused:
        parse_lift_table(text.encode("latin-1"), where="nominal.csv")
    assert "nominal.csv" in str(refused.value)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_an_error_of_ours(data: bytes) -> None:
    with suppress(LobetraceError):
        parse_lift_table(b"cam_deg,lift_mm\n" + data, where="any")


def test_lash_hides_the_foot_of_a_nominal_lobe() -> None:
    seen = Nominal(table(), ratio=1.5, lash_mm=0.3)
    foot = np.array([table().crank_deg[0], table().crank_deg[-1]])
    assert seen.value(foot).tolist() == [0.0, 0.0]
    assert seen.value(foot, 1).tolist() == [0.0, 0.0]
    assert float(seen.value(0.0)) == pytest.approx(1.5 * max(table().lift_mm) - 0.3, abs=1e-3)


@pytest.mark.parametrize("seed", [0, 1, *thorough(2, 3)])
def test_a_lobe_lies_on_the_table_that_it_was_cut_by(seed: int) -> None:
    measured, nose = lobe(seed)
    found = fit_profile(measured, table())
    assert abs(found.turned.value - nose) <= found.turned.u95
    # 19 of 20 places, which hang together: nearly all must.
    assert np.mean(np.abs(found.deviation_mm) <= 1.96 * found.u_mm) > 0.85
    assert np.mean(np.abs(found.velocity) <= 1.96 * found.u_velocity) > 0.85
    assert {each.kind for each in found.differs.named} <= {"indexing"}
    assert found.zone.value == pytest.approx(2 * np.abs(found.deviation_mm).max())


def test_the_zero_can_be_fitted_too() -> None:
    measured, _ = lobe(0)
    higher = changed(measured, lambda _, lift: 0.06 * np.clip(lift / 0.02, 0.0, 1.0))
    kept, fitted = fit_profile(higher, table()), fit_profile(higher, table(), fit_zero=True)
    assert kept.zero is None
    assert np.median(kept.deviation_mm) == pytest.approx(0.06 / RATIO, abs=0.01)
    assert fitted.zero is not None
    assert fitted.zero.value == pytest.approx(0.06 / RATIO, abs=0.005)
    assert abs(np.median(fitted.deviation_mm)) < 0.01


def worn(mm: float) -> ProfileFit:
    measured, _ = lobe(0)
    return fit_profile(changed(measured, lambda deg, _: -mm * RATIO * np.exp(-((deg / 24.0) ** 2))), table())


def test_the_zone_decides_by_the_uncertainty() -> None:
    """Half the zone to either side, less or more one expanded uncertainty (ISO 14253-1)."""
    measured, _ = lobe(0)
    found = worn(0.10)
    assert found.deviation(found.worst).value == pytest.approx(-0.10, abs=0.02)
    outside, within = judged(measured, found, 0.05), judged(measured, found, 1.0)
    assert (outside.verdict, within.verdict) == ("outside", "within")
    assert outside.at_deg == pytest.approx(lobe(0)[1], abs=8.0)
    at_the_limit = judged(measured, found, -2.0 * found.deviation(found.worst).value)
    assert at_the_limit.verdict == "cannot tell"
    assert judged(measured, found, None).verdict == "not compared"
    assert found.differs.of("nose") is not None


RIG: Rig = replace(SHORT, cam=Cam(tcc3(), tcc3(), 110.0, 0.0))


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("profile")
    job_folder(folder, demo_job(Named("tcc", "A lobe that is known.", RIG)), RIG, ("stop", "intake"))
    (folder / "intake-lobe.csv").write_bytes(csv_of())
    return folder


def test_the_command_prints_draws_and_writes(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / "d.html", tmp_path / "d.csv"]
    options = ["--nominal", str(job / "intake-lobe.csv"), "--plot", str(files[0]), "--table", str(files[1])]
    assert run(["profile", str(job), *options]) == 0
    out = capsys.readouterr().out
    assert "INTAKE PROFILE, cylinder 1" in out
    assert "against intake-lobe.csv" in out
    assert "what differs: nothing that is clear" in out
    assert max(map(len, out.splitlines())) <= 80
    written = pd.read_csv(files[1])
    assert written.deviation_mm.abs().max() < 0.05
    assert "tolerance" not in out.splitlines()[2]
    assert files[0].read_text(encoding="utf-8").count("<svg") == 2


@pytest.mark.parametrize(("tolerance", "code", "verdict"), [("0.5", 0, "within"), ("0.001", 2, "cannot tell")])
def test_the_exit_code_says_whether_it_is_within(
    job: Path, tolerance: str, code: int, verdict: str, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--nominal", str(job / "intake-lobe.csv"), "--tolerance", tolerance, "--json"]
    assert run(["profile", str(job), *options]) == code
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    (line,) = found["lobes"]
    assert line["verdict"] == verdict
    assert len(line["deg"]) == len(line["deviation"]["mm"]) == len(line["velocity"]["mm_deg"])


def test_each_valve_has_a_table_of_its_own(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The intake lobe was swept: a table of the other valve says nothing about it, and its own goes before one for both."""
    mine, other = str(job / "intake-lobe.csv"), tmp_path / "other.csv"
    other.write_bytes(csv_of())

    def held(*words: str) -> list[str]:
        given = [part for word in words for part in ("--nominal", word)]
        assert run(["profile", str(job), *given, "--json"]) == 0
        return [line["nominal"] for line in json.loads(capsys.readouterr().out)["lobes"]]

    assert held(f"intake={mine}", f"exhaust={other}") == ["intake-lobe.csv"]
    assert held(str(other), f"intake={mine}") == ["intake-lobe.csv"]
    assert held(str(other), f"exhaust={mine}") == ["other.csv"]
    assert run(["profile", str(job), "--nominal", f"exhaust={mine}"]) == 2
    assert run(["profile", str(job), "--nominal", mine, "--nominal", str(other)]) == 2
    assert "--nominal intake=FILE --nominal exhaust=FILE" in capsys.readouterr().err


def test_without_a_nominal_it_says_where_to_give_one(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", str(job)]) == 2
    assert "--nominal FILE" in capsys.readouterr().err


@pytest.mark.parametrize(("tolerance", "word"), [(0.5, "within"), (0.001, "cannot tell")])
def test_check_holds_the_profile_that_the_job_states(
    job: Path, tmp_path: Path, tolerance: float, word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for each in (job / "captures").iterdir():
        (tmp_path / "captures").mkdir(exist_ok=True)
        (tmp_path / "captures" / each.name).write_bytes(each.read_bytes())
    (tmp_path / "lobe.csv").write_bytes(csv_of())
    text = (job / "job.toml").read_text(encoding="utf-8")
    stated = f'\n[specification.intake.profile]\nfile = "lobe.csv"\ntolerance_mm = {tolerance}\n'
    (tmp_path / "job.toml").write_text(text + stated, encoding="utf-8")
    run(["check", str(tmp_path), "--json"])
    (checked,) = json.loads(capsys.readouterr().out)["jobs"]
    (line,) = checked["decision"]["profiles"]
    assert line["verdict"] == word
    assert line["nominal"] == "lobe.csv"
    run(["check", str(tmp_path)])
    assert ("intake profile" in capsys.readouterr().out) == (word != "within")
    assert run(["overlay", str(tmp_path), "--against", "nominal"]) == 0
    assert "against the nominal profile" in capsys.readouterr().out.replace("\n  ", " ")


def test_a_table_that_is_missing_is_said_when_the_job_is_read(job: Path, tmp_path: Path) -> None:
    from analysis.job import load_job

    text = (job / "job.toml").read_text(encoding="utf-8")
    (tmp_path / "job.toml").write_text(
        text + '\n[specification.intake.profile]\nfile = "none.csv"\ntolerance_mm = 0.1\n', encoding="utf-8"
    )
    with pytest.raises(UsageError, match=r"none.csv"):
        load_job(tmp_path)


def test_a_profile_rests_on_the_lobe_that_a_doubt_may_touch() -> None:
    from analysis.base.finding import DOUBT, Finding
    from analysis.decision.doubted import doubted

    measured, _ = lobe(0)
    line = judged(measured, fit_profile(measured, table()), 1.0)
    doubt = Finding("lifter-bleeds", DOUBT, "It sank.", touches=frozenset({"intake"}))
    assert bench_job().specification.intake.profile is None
    assert line.verdict == "within"
    (held,) = doubted([line], [doubt])
    assert (held.verdict, held.doubts) == ("inconclusive", ("lifter-bleeds",))
