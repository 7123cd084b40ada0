"""A recording that is killed: another process records as fast as it can, and dies without a word at a random moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.capture import load
from tests.left_out import thorough

# The child says the number of each batch AFTER the recorder took it, so that what was said must be in the file.
CHILD = """
import sys
from pathlib import Path
from acquire.record.recorder import Recorder
from acquire.wire import Index, Sample
from analysis.base.samples import Board, Header

path, report = Path(sys.argv[1]), int(sys.argv[2])
header = Header(Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57), "sweep", 1, ("intake",))
with Recorder(path, header) as recorder, open(report, "wb", buffering=0) as pipe:
    seq = 0
    while True:
        batch = [Sample(seq + i, 5000 * (seq + i), seq + i, 0, (0,), (seq + i,)) for i in range(7)]
        recorder.add([*batch, Index(seq + 7, 5000 * (seq + 7), seq)])
        seq += 8
        pipe.write(seq.to_bytes(8))
"""
SECOND = 1_000_000 // 5000 * 7 // 8  # rows in a second of the board's time


@pytest.mark.parametrize("seed", [*range(3), *thorough(*range(3, 10))])
def test_a_kill_costs_less_than_a_second(seed: int, tmp_path: Path) -> None:
    rng, path = random.Random(seed), tmp_path / "a.csv"
    wanted = rng.randrange(0, 4000)
    read, write = os.pipe()
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), str(write)], pass_fds=[write], cwd=Path(__file__).parents[2]
    )
    os.close(write)
    said = 0
    with open(read, "rb", buffering=0) as pipe:
        while said < wanted and (word := pipe.read(8)):
            said = int.from_bytes(word)
        child.send_signal(signal.SIGKILL)
        while word := pipe.read(8):  # said before it died
            said = int.from_bytes(word) if len(word) == 8 else said
    assert child.wait() == -signal.SIGKILL
    if not path.exists():
        assert said == 0  # killed before the header was there
        return
    capture = load(path)
    rows = len(capture.samples.seq)
    assert capture.samples.lift[0].tolist() == [seq for seq in range(rows * 8 // 7 + 8) if seq % 8 != 7][:rows]
    assert said * 7 // 8 - rows <= SECOND
    assert said * 7 // 8 <= rows  # stronger: a kill alone loses nothing; only a power loss can
    assert ["cut short" in sentence for sentence in capture.missing] == [True]
