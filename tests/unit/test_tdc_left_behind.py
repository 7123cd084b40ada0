"""Whether TDC can be carried from one connection to the next, told from the headers alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from acquire.procedure.located_tdc import left_behind
from acquire.procedure.setup import tdc_headers
from analysis.base.errors import CaptureError
from analysis.base.samples import Board, Header
from analysis.capture import header_of, load

BOARD = Board(2400, False, "edge", (0.01,), ("mm",), "bench-a", boot=57)
STOP = Header(BOARD, "stop", 1, ("unknown",), link="a")
SAMPLES = Path(__file__).parents[2] / "sample-captures"


def test_the_same_start_an_index_or_no_tdc_at_all_says_nothing() -> None:
    assert left_behind([STOP], BOARD) == ""
    assert left_behind([STOP, replace(STOP, board=replace(BOARD, boot=58))], BOARD) == ""  # one of them will do
    assert left_behind([], replace(BOARD, boot=58)) == ""
    indexed = replace(BOARD, index=True)
    assert left_behind([replace(STOP, board=indexed)], replace(indexed, boot=58)) == ""


@pytest.mark.parametrize(
    ("board", "words"),
    [
        (replace(BOARD, boot=58), "(boot 57, now 58)"),
        (replace(BOARD, boot=58, index=True), "(boot 57, now 58)"),  # the index was not there when TDC was found
        (replace(BOARD, boot=0), "cannot tell one start from another"),
        (replace(BOARD, name="bench-b"), "with another board, bench-a"),
    ],
)
def test_another_start_without_an_index_is_one_sentence(board: Board, words: str) -> None:
    said = left_behind([STOP], board)
    assert words in said
    assert "TDC IS LOST" in said
    assert said.count("\n") == 0


def test_the_headers_of_a_job_are_those_of_its_captures() -> None:
    for folder in (path.parent for path in sorted(SAMPLES.glob("*/job.toml"))):
        paths = sorted((folder / "captures").glob("*.csv"))
        headers = [header_of(path) for path in paths]
        assert headers == [load(path).header for path in paths]
        assert [h.step for h in tdc_headers(folder)] == [h.step for h in headers if h.step != "sweep"]


@pytest.mark.parametrize(
    "data", [b"", b"seq,time_us\n1,2\n", b"# lobetrace capture 1\n", b'# lobetrace capture 1\n# {"capture": 3}\n']
)
def test_a_file_without_a_header_is_refused(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(data)
    with pytest.raises(CaptureError):
        header_of(tmp_path / "a.csv")
