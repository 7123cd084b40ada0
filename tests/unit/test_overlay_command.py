"""`lobetrace overlay` from outside: words, exit codes, JSON, the table, and what it says if there is nothing to lay over."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from acquire.cli import run
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT

TEXT = demo_job(Scenario("short", "A short rig.", SHORT))
OTHER_RATIO: Rig = replace(SHORT, train=replace(SHORT.train, ratio=SHORT.train.ratio * 1.03), seed=3)


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Intake swept twice, exhaust once."""
    folder = tmp_path_factory.mktemp("twice")
    job_folder(folder, TEXT, SHORT)
    return job_folder(folder, TEXT, replace(SHORT, seed=2), ("intake",))


def test_two_sweeps_of_one_lobe_are_alike(twice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["overlay", str(twice)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "INTAKE: intake-02.csv, cylinder 1\n  against intake-01.csv, cylinder 1" in out
    assert "Alike:" in out
    assert "EXHAUST" not in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_lobe_that_differs_is_said_to_and_ends_in_1(twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = job_folder(tmp_path, TEXT, OTHER_RATIO, ("stop", "intake"))
    first, second = twice / "captures" / "intake-01.csv", other / "captures" / "intake-01.csv"
    assert run(["overlay", str(twice), str(first), str(second), "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["overlays"]
    assert found["kind"] == "scale"
    assert found["share"] == pytest.approx(0.03, abs=0.003)
    assert len(found["deg"]) == len(found["higher_mm"]) == len(found["u95_mm"]) == len(found["limit_mm"])


def test_the_table_opens_as_it_is_and_holds_every_profile(
    twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "profiles.csv"
    assert run(["overlay", str(twice), "--table", str(file), "--step", "0.5"]) == 0
    assert f"{file} holds 3 profiles" in capsys.readouterr().err
    table = pd.read_csv(file)
    assert set(table.capture) == {"intake-01.csv", "intake-02.csv", "exhaust-01.csv"}
    mine = table[table.capture == "intake-01.csv"]
    assert (mine.deg.diff().dropna() == 0.5).all()
    assert mine.lift_mm.max() == pytest.approx(truth(SHORT).lobe("intake").peak_lift_mm, abs=0.02)
    assert (mine.filter(like="u_") > 0).all(axis=None)


def test_one_sweep_has_a_table_but_nothing_to_lie_on(twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = str(twice / "captures" / "exhaust-01.csv")
    assert run(["overlay", str(twice), one]) == 2
    assert "no valve has two sweeps to overlay. Sweep it again" in capsys.readouterr().err
    assert run(["overlay", str(twice), one, "--table", str(tmp_path / "one.csv")]) == 0


def test_a_sweep_that_says_nothing_is_left_out_with_its_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_folder(tmp_path, TEXT, SHORT, ("stop", "intake", "backward"))
    job_folder(tmp_path, TEXT, replace(SHORT, seed=2), ("intake",))
    assert run(["overlay", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert "backward-01.csv" in err
    assert "backward only" in err
    assert "intake-02.csv" in out


def test_a_capture_is_never_written_over(twice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = twice / "captures" / "intake-01.csv"
    before = capture.read_bytes()
    assert run(["overlay", str(twice), "--table", str(capture)]) == 2
    assert "is not overwritten" in capsys.readouterr().err
    assert capture.read_bytes() == before
