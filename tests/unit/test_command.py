"""The command's own manners: exit codes, one sentence on stderr, JSON alone on stdout, nothing overwritten."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.cli import run
from analysis.base.errors import UsageError
from analysis.job import load_job
from analysis.job.folder import captures_of, folder_of, free, refuse_where_none_can_be_made

COMMANDS = [
    "new",
    "ports",
    "monitor",
    "capture",
    "analyze",
    "check",
    "table",
    "verify",
    "report",
    "compare",
    "simulate",
    "live",
    "replay",
    "demo",
]


@pytest.mark.parametrize("arguments", [[], ["--help"], *([command, "--help"] for command in COMMANDS)])
def test_help_is_there_for_everything(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 0
    out, err = capsys.readouterr()
    assert "Usage:" in out
    assert not any(doubled in out.split("\n\n")[0] for doubled in ("[[", "]...]", "...}")), "brackets and dots once"
    assert err == ""


@pytest.mark.parametrize(
    "arguments",
    [
        ["degree"],
        ["new"],
        ["capture", "job"],
        ["capture", "job", "--step", "sideways"],
        ["ports", "--colour"],
        ["demo", "--seed", "many"],
    ],
)
def test_a_wrong_call_is_a_sentence_and_exit_code_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    command = "lobetrace" if arguments == ["degree"] else f"lobetrace {arguments[0]}"
    assert f"Try: {command} --help" in err


def test_a_missing_argument_names_the_command_that_misses_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze"]) == 2
    assert capsys.readouterr().err == "lobetrace analyze: Missing argument 'JOB'. Try: lobetrace analyze --help\n"


@pytest.mark.parametrize("arguments", [["-h"], ["new", "-h"]])
def test_a_single_letter_asks_for_help_too(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 0
    short = capsys.readouterr().out
    assert run([*arguments[:-1], "--help"]) == 0
    assert capsys.readouterr().out == short


def test_verbose_says_on_stderr_what_was_read_and_found(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", "sample-captures/clean", "--json"]) == 0
    quiet = capsys.readouterr()
    assert run(["analyze", "-v", "sample-captures/clean", "--json"]) == 0
    told = capsys.readouterr()
    assert told.out == quiet.out, "results are the same"
    assert quiet.err == ""
    for what in ("INFO", "job.toml", "1-stop.csv", "top dead center"):
        assert what in told.err
    assert "DEBUG" not in told.err
    assert run(["ports", "--no-ask", "--json"]) == 0
    assert capsys.readouterr().err == "", "it is over with the command"


def test_verbose_twice_says_more(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", "sample-captures/clean", "--json", "-vv"]) == 0
    assert "DEBUG" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of Unix")
@pytest.mark.parametrize("typed", ["lobetrace an", "lobetrace report sample-captures/clean --pap"])
def test_a_shell_completes_commands_and_options(typed: str) -> None:
    words = typed.split()
    environment = {**os.environ, "_LOBETRACE_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(len(words) - 1)}
    done = subprocess.run([sys.executable, "-m", "acquire"], env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.split() == (["analyze"] if words[-1] == "an" else ["--paper"]), done.stderr


def test_it_says_which_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("lobetrace ")


@pytest.mark.parametrize(("units", "stroke"), [("mm", 86.0), ("in", 3.375 * 25.4)])
def test_new_makes_a_job_that_loads(tmp_path: Path, units: str, stroke: float, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "far" / "down"
    assert run(["new", str(folder), "--units", units]) == 0
    assert str(folder / "job.toml") in capsys.readouterr().out
    assert load_job(folder).engine.stroke_mm == pytest.approx(stroke)
    assert captures_of(folder) == []


def test_where_no_job_can_be_made_is_said_before_one_is_entered(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="no job can be made there"):
        refuse_where_none_can_be_made(tmp_path / "file" / "job")
    refuse_where_none_can_be_made(tmp_path / "far" / "down")
    assert run(["new", str(tmp_path / "job"), "--plain"]) == 0
    with pytest.raises(UsageError, match="not overwritten"):
        refuse_where_none_can_be_made(tmp_path / "job")


def test_new_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "job.toml").write_text("mine", encoding="utf-8")
    assert run(["new", str(tmp_path)]) == 2
    assert "not overwritten" in capsys.readouterr().err
    assert (tmp_path / "job.toml").read_text(encoding="utf-8") == "mine"


def test_with_json_stdout_holds_json_and_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", str(tmp_path / "a"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["job"] == str(tmp_path / "a" / "job.toml")
    assert run(["ports", "--no-ask", "--json"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out)["ports"], list)


def test_captures_come_in_the_order_they_were_recorded(tmp_path: Path) -> None:
    (tmp_path / "captures").mkdir()
    for name in ("100-sweep-intake.csv", "02-stop.csv", "99-sweep-exhaust.csv", "old.csv", "03-notes.txt"):
        (tmp_path / "captures" / name).touch()
    names = [path.name for path in captures_of(tmp_path)]
    assert names == ["old.csv", "02-stop.csv", "99-sweep-exhaust.csv", "100-sweep-intake.csv"]
    assert folder_of(tmp_path / "job.toml") == tmp_path == folder_of(tmp_path)


def test_the_demo_finds_a_folder_that_is_free(tmp_path: Path) -> None:
    assert free(tmp_path / "demo-job") == tmp_path / "demo-job"
    for name in ("demo-job", "demo-job-2"):
        (tmp_path / name).mkdir()
    assert free(tmp_path / "demo-job") == tmp_path / "demo-job-3"


@pytest.mark.parametrize("arguments", [["analyze"], ["report", "--out", "sheet.html"]], ids=lambda given: given[0])
def test_captures_that_may_not_be_read_are_not_called_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    assert run(["new", str(tmp_path / "job")]) == 0
    listed = Path.iterdir

    def denied(folder: Path) -> Iterator[Path]:
        if folder.name == "captures":
            raise PermissionError(errno.EACCES, "Permission denied", str(folder))
        return listed(folder)

    monkeypatch.setattr(Path, "iterdir", denied)
    assert run([*arguments, str(tmp_path / "job")]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"{tmp_path / 'job' / 'captures'}: the captures cannot be read (Permission denied).")
    assert "no captures" not in said
    assert len(said.splitlines()) == 1


def test_new_copies_engine_rig_and_card_of_another_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    like = load_job(Path("sample-captures/clean"))
    assert run(["new", str(tmp_path / "next"), "--like", "sample-captures/clean", "--plain"]) == 0
    assert "are copied" in capsys.readouterr().out
    made = load_job(tmp_path / "next")
    assert (made.engine, made.rig, made.specification) == (like.engine, like.rig, like.specification)


@pytest.mark.parametrize("named", [[], ["job"]])
def test_live_without_a_job_needs_a_terminal_to_set_one_up(
    named: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["live", *named]) == 2
    said = capsys.readouterr().err
    assert ("there is no job file" if named else "no job is given") in said
    assert not list(tmp_path.iterdir())
