"""The commands of docs/ci.md for any runner, run by a shell as they stand there."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import junitparser
import pytest

from acquire.cli import run
from tests.left_out import thorough

ROOT = Path(__file__).parents[2]
(COMMANDS,) = re.findall(r"^```sh\n(.*?)^```", (ROOT / "docs" / "ci.md").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)

pytestmark = pytest.mark.skipif(shutil.which("sh") is None, reason="no shell here")


@pytest.fixture
def shell(tmp_path: Path) -> dict[str, str]:
    """An environment in which `lobetrace` is this one."""
    command = tmp_path / "bin" / "lobetrace"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m acquire "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    return {**os.environ, "PATH": f"{command.parent}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}


@pytest.mark.parametrize(("job", "code"), [("bleed-down", 2), *thorough(("clean", 0), ("slack", 1))])
def test_the_page_does_what_it_says(
    tmp_path: Path, shell: dict[str, str], job: str, code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "repository"
    shutil.copytree(ROOT / "sample-captures" / job, folder / "jobs" / job)

    def done(commands: str) -> int:
        return subprocess.run(["sh", "-c", commands], cwd=folder, env=shell, capture_output=True, check=False).returncode

    monkeypatch.chdir(folder)
    assert run(["verify", "jobs", "--baseline", "baseline.json", "--update"]) == 0
    assert done(COMMANDS) == code
    (suite,) = junitparser.JUnitXml.fromfile(str(folder / "verdicts.xml"))
    assert suite.name == f"jobs/{job}"
    assert bool(suite.failures) == (code == 1)
    if code:
        return
    (folder / "baseline.json").write_text(
        (folder / "baseline.json").read_text(encoding="utf-8").replace('"u95": 0.', '"u95": 9.')
    )
    assert done(COMMANDS) == 1
