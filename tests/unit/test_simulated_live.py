"""`lobetrace live --simulate`: what a simulated engine gives never lands among the captures of another engine or rig."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from acquire.cli import run
from acquire.dashboard import launch
from acquire.procedure.session import Place
from acquire.procedure.simulated_hand import SimulatedHand
from acquire.procedure.steps import CAUTIONS, DONE, SWEEP
from analysis.job import parse_job
from analysis.job.folder import make_job
from analysis.job.template import template


@pytest.fixture
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders in which the screen was started."""
    started: list[Path] = []

    def live(_job: object, folder: Path, *_: Any) -> Place:
        started.append(folder)
        return Place(CAUTIONS)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(launch, "live", live)
    return started


def test_each_rig_has_a_folder_of_its_own_and_finds_it_again(folders: list[Path]) -> None:
    calls: list[list[str]] = [[], ["--scenario", "slack"], ["--seed", "5"], ["--scenario", "slack", "--seed", "5"]]
    for call in [*calls, *calls]:
        assert run(["live", "--simulate", *call]) == 0
    assert folders[:4] == folders[4:]
    assert len(set(folders)) == 4
    assert folders[0] == Path("simulated-job")


def test_a_rig_of_ones_own_from_a_file(monkeypatch: pytest.MonkeyPatch, folders: list[Path], tmp_path: Path) -> None:
    """The file itself goes to the simulator, and its captures into a folder of their own, whatever it is called."""
    file = tmp_path / "slack.toml"
    file.write_text('base = "clean"\nseed = 4\n[train]\nslack_deg = 0.7\n', encoding="utf-8")
    served: list[launch.Simulated] = []

    def live(_job: object, folder: Path, _port: str, _plan: object, _by: str, _look: object, rig: Any, _choice: object) -> Place:
        folders.append(folder)
        served.append(rig)
        return Place(CAUTIONS)

    monkeypatch.setattr(launch, "live", live)
    assert run(["live", "--simulate", "--scenario", "slack.toml"]) == 0
    assert run(["live", "--simulate", "--scenario", str(file), "--seed", "9"]) == 0
    assert folders == [Path("rehearsed-slack"), Path("rehearsed-slack-9")]
    assert served == [launch.Simulated("slack.toml", 4), launch.Simulated(str(file), 9)]
    assert all((folder / "job.toml").is_file() for folder in folders)


def test_the_simulator_of_a_live_screen_serves_a_file(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text('base = "clean"\n', encoding="utf-8")
    hand = SimulatedHand(parse_job(template()), str(file), 3, 10.0)
    try:
        assert hand.url
    finally:
        hand.end()


def test_a_scenario_file_that_is_wrong_is_refused(
    folders: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.toml").write_text("[train]\nslak_deg = 1\n", encoding="utf-8")
    assert run(["live", "--simulate", "--scenario", "own.toml"]) == 2
    assert "slak_deg is no key here" in capsys.readouterr().err
    assert folders == []


def test_another_engines_job_is_left_alone(folders: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make_job(tmp_path / "mine", template())
    assert run(["live", str(tmp_path / "mine"), "--simulate"]) == 2
    assert "this job is of another engine or rig" in capsys.readouterr().err
    assert folders == []


def test_another_rigs_job_is_left_alone(folders: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["live", str(tmp_path / "job"), "--simulate", "--scenario", "inch-lifter"]) == 0
    assert run(["live", str(tmp_path / "job"), "--simulate"]) == 2
    assert "simulated workshop" in capsys.readouterr().err
    assert folders == [tmp_path / "job"]


@pytest.mark.parametrize(
    ("left", "said"),
    [
        (Place(SWEEP, "exhaust"), "Left at: Sweep, exhaust. What is recorded lies in simulated-job; the same command goes on"),
        (Place(DONE), "All is measured and recorded in simulated-job. The sheet: lobetrace analyze simulated-job"),
    ],
    ids=["in between", "done"],
)
@pytest.mark.usefixtures("folders")
def test_who_leaves_is_told_where_it_lies_and_how_it_goes_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], left: Place, said: str
) -> None:
    monkeypatch.setattr(launch, "live", lambda *_: left)
    assert run(["live", "--simulate"]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(said)
