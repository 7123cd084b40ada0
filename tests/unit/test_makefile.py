"""What `make` is told to run can be run: every script is there, and takes what it is given."""

from __future__ import annotations

import argparse
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.statistics import study

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(shutil.which("make") is None, reason="no make here")


def recipe(*arguments: str) -> str:
    done = subprocess.run(["make", "-n", *arguments], cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout


class Read(Exception):  # noqa: N818
    """What the study made of its arguments."""


def read_by_the_study(told: list[str], monkeypatch: pytest.MonkeyPatch) -> argparse.Namespace:
    real = argparse.ArgumentParser.parse_args

    def stop(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
        raise Read(real(parser, arguments))

    monkeypatch.setattr(argparse.ArgumentParser, "parse_args", stop)
    with pytest.raises(Read) as caught:
        study.main(told)
    found = caught.value.args[0]
    assert isinstance(found, argparse.Namespace)
    return found


@pytest.mark.parametrize(("share", "rows"), [((), "study-1-of-1.jsonl"), (("SHARE=2/8",), "study-2-of-8.jsonl")])
def test_the_study_is_given_what_it_takes(share: tuple[str, ...], rows: str, monkeypatch: pytest.MonkeyPatch) -> None:
    (line,) = [line for line in recipe("study", *share).splitlines() if "tests.statistics.study" in line]
    told = shlex.split(line.split("tests.statistics.study", 1)[1])
    read = read_by_the_study(told, monkeypatch)
    assert (read.share, read.rows) == (share[0].split("=")[1] if share else "1/1", Path(rows))


def test_the_short_forms_are_asked_with_more_seeds_once() -> None:
    """By the first share alone."""
    assert "STUDY_TIMES=10 .venv/bin/pytest" in recipe("study")
    assert "STUDY_TIMES=10 .venv/bin/pytest" in recipe("study", "SHARE=1/8")
    assert "STUDY_TIMES" not in recipe("study", "SHARE=2/8")


def test_every_target_of_the_first_lines_is_there() -> None:
    head = (ROOT / "Makefile").read_text(encoding="utf-8").split("\n\n", 1)[0]
    targets = re.findall(r"^# make ([a-z-]+)", head, re.MULTILINE)
    assert {"test", "thorough", "demo", "bench", "fuzz", "study", "firmware-test"} == set(targets)
    for target in targets:
        assert recipe(target)


def test_every_benchmark_is_run_and_finds_what_it_imports() -> None:
    """Imported as make runs it: by name from the top folder, not by its file, which would not find the tests' own modules."""
    named = re.findall(r"-m (tests\.benchmarks\.\w+)", recipe("bench"))
    assert named == [f"tests.benchmarks.{path.stem}" for path in sorted((ROOT / "tests" / "benchmarks").glob("bench_*.py"))]
    imports = "; ".join(f"import {name}" for name in named)
    done = subprocess.run([sys.executable, "-c", imports], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
