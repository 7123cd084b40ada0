"""A recording killed at random moments: each file loads, and at most a second of it is lost. Two hundred of them by command:
python -m tests.benchmarks.bench_faults kills
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there, and no fork")
@pytest.mark.parametrize("seed", ["seed5"])
def test_eight_kills(seed: str) -> None:
    command = [sys.executable, "-W", "error", "-m", "tests.link.killing", "8", seed]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    kills = [json.loads(line) for line in done.stdout.splitlines() if '"seed"' in line]
    assert len(kills) == 8
    assert [kill for kill in kills if kill["wrong"]] == []
    assert any(kill["rows"] > 1000 for kill in kills)
    assert any(kill["frames"] == 0 for kill in kills)  # within milliseconds of the hello, however many rows that is here
