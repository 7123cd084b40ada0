"""Calls that would wait for ever, write somewhere else or be misread are refused in a sentence before anything begins."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from acquire.cli import commands, run, say
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.truth import truth


def refusal(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one sentence on stderr."""
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    (sentence,) = err.splitlines()
    return sentence


@pytest.mark.parametrize(
    ("step", "limit", "other"),
    [
        (["--step", "sweep", "--valve", "intake"], "--contacts", "--step stop"),
        (["--step", "travel"], "--contacts", "--step stop"),
        (["--step", "stop"], "--passes", "--step sweep"),
    ],
)
def test_a_limit_that_this_step_never_reaches(
    tmp_path: Path, step: list[str], limit: str, other: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["new", str(tmp_path / "job")]) == 0
    capsys.readouterr()
    said = refusal(["capture", str(tmp_path / "job"), *step, limit, "3", "--port", str(tmp_path / "none")], capsys)
    assert said == f"{limit} has no meaning with --step {step[1]}. Leave it out, or use {other}"


def test_a_phase_that_there_is_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(["simulate", "--scenario", "clean", "--phases", "stop, intkae", "--truth", str(tmp_path / "t.json")], capsys)
    assert said.startswith("there is no phase 'intkae'. Choose of: ")
    assert list(tmp_path.iterdir()) == []


def test_a_truth_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(["simulate", "--scenario", "clean", "--truth", str(tmp_path / "none" / "t.json")], capsys)
    assert "cannot be written" in said


def test_the_truth_is_there_before_the_rig_is_served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where the phases are asked for one by one."""
    from acquire.cli import simulate

    served = []
    monkeypatch.setattr(simulate, "run_asked", lambda *_, **__: served.append((tmp_path / "t.json").read_text(encoding="utf-8")))
    assert run(["simulate", "--scenario", "clean", "--phases", "-", "--truth", str(tmp_path / "t.json")]) == 0
    true = truth(scenario_named("clean", None).rig)
    assert served == [say.json_file({"truth": true.tree()}, "truth").decode("utf-8")]


@pytest.mark.parametrize(
    ("arguments", "end"),
    [
        (["new", "job", "--units", "furlong"], ". Try: lobetrace new --help"),
        (["ports", "--within", "0"], ". Try: lobetrace ports --help"),
        (["new"], "'. Try: lobetrace new --help"),
    ],
)
def test_an_error_of_use_is_written_as_a_sentence(arguments: list[str], end: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(arguments, capsys)
    assert said.endswith(end)
    assert ".." not in said
    assert "Value error" not in said


@pytest.mark.parametrize("how", [130, KeyboardInterrupt])
def test_the_keyboard_ends_it_in_a_sentence_however_it_is_told(
    how: int | type[BaseException], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def app(*_: object, **__: object) -> int:
        if isinstance(how, int):
            return how
        raise how

    monkeypatch.setattr(commands, "_app_for", lambda _: app)
    assert refusal(["analyze", "job"], capsys) == "Ended by the keyboard before it was done."


@pytest.mark.parametrize("name", ["job", "Müllers Motor 2", "a&b", "it's", "a(1)"])
def test_a_path_in_a_command_to_type_is_one_word(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", str(tmp_path / name)]) == 0
    command = capsys.readouterr().out.rsplit("then: ", 1)[1]
    assert shlex.split(command) == ["lobetrace", "live", str(tmp_path / name)]
    assert say.quoted(Path("plain")) == "plain"
