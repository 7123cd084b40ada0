"""Captures read back: what a whole file says, and that other programs read the same from it."""

from __future__ import annotations

import hashlib
import re
from dataclasses import astuple, replace
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.errors import CaptureError
from analysis.base.samples import Board, Capture, Fault, Gap, Header
from analysis.capture import from_rows, load, parse
from analysis.capture.text import Note, columns, header_text, whole_text

SPECIFICATION = Path(__file__).parents[2] / "firmware-notes" / "capture-format.md"
ONE = Header(
    Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57, 200), "sweep", 1, ("intake",), "2024-05-01T10:00:00.000+02:00"
)
TWO = replace(ONE, board=replace(ONE.board, steps_mm=(0.01, 0.0127), units=("mm", "in")), channels=("intake", "exhaust"))
U32, I32 = st.integers(0, 2**32 - 1), st.integers(-(2**31), 2**31 - 1)
START = {"hello": {}, "at": "", "same_count": False}


def rows_of(*rows: tuple[int, ...]) -> np.ndarray:
    return np.array(rows, np.int64)


def same(a: Capture, b: Capture) -> bool:
    for one, other in ((a.samples, b.samples), (a.index, b.index)):
        assert [x.shape for x in astuple(one)] == [x.shape for x in astuple(other)]
        assert all(
            np.array_equal(x, y) and x.dtype == y.dtype == np.int64 for x, y in zip(astuple(one), astuple(other), strict=True)
        )
    rest = [replace(x, samples=a.samples, index=a.index, sha256="", path="") for x in (a, b)]
    assert vars(rest[0]) == vars(rest[1])
    return True


def worked_example() -> bytes:
    block = re.search(r"## 6\. Worked example.*?```\n(.*?)```", SPECIFICATION.read_text(encoding="utf-8"), re.DOTALL)
    assert block
    return block[1].encode()


def test_the_worked_example_of_the_specification() -> None:
    capture = parse(worked_example())
    assert capture.complete, capture.missing
    assert (capture.header.step, capture.header.cylinder, capture.header.channels) == ("sweep", 1, ("intake",))
    assert capture.header.board == Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57)
    assert capture.samples.seq.tolist() == [0, 1, 4, 8]
    assert capture.samples.crank.tolist() == [-14400, -14399, -14398, -14397]
    assert capture.samples.still.tolist() == [False, False, True, False]
    assert capture.samples.lift.tolist() == [[1235, 1235, 1236, 1236]]
    assert capture.index.time_us.tolist() == [883590]
    assert capture.faults == (Fault(883600, "crank-step", 17),)
    assert capture.gaps == (Gap(3, 3, 120),)
    assert capture.sha256 == hashlib.sha256(worked_example().rpartition(b'# {"end"')[0]).hexdigest()


def test_clocks_and_counts_run_over_in_the_middle_and_notes_stand_beside_their_rows() -> None:
    top = 2**32
    rows = rows_of(
        (top - 2, top - 400, 2**31 - 1, 0, 5, 2**31 - 4),
        (0, 100, -(2**31), 0, -5, 2**31 - 1),
        (2, 500, -(2**31) + 1, 0, 0, -(2**31)),
    )
    notes = [
        Note(0, "index", {"seq": 0, "time_us": top - 500, "crank": 2**31 - 2}),
        Note(1, "index", {"seq": top - 1, "time_us": 50, "crank": -(2**31)}),
        Note(1, "fault", {"seq": 0, "time_us": 60, "word": "new-word", "number": -1}),
        Note(3, "index", {"seq": 3, "time_us": 600, "crank": 2**31 - 1}),
    ]
    capture = parse(whole_text(ONE, rows, notes))
    assert capture.complete
    assert capture.samples.seq.tolist() == [top - 2, top, top + 2]
    assert capture.samples.time_us.tolist() == [top - 400, top + 100, top + 500]
    assert capture.samples.crank.tolist() == [2**31 - 1, 2**31, 2**31 + 1]
    assert capture.samples.age_us.tolist() == [[5, -5, 0]]
    assert capture.samples.lift.tolist() == [[2**31 - 4, 2**31 - 1, 2**31]]
    assert capture.index.time_us.tolist() == [top - 500, top + 50, top + 600]
    assert capture.index.crank.tolist() == [2**31 - 2, 2**31, 2**31 - 1]
    assert capture.faults[0].time_us == top + 60


def test_a_new_start_begins_a_new_origin_and_a_reconnection_does_not() -> None:
    rows = rows_of(*[(i, 4_000_000_000 + i, 10 * i, 0, 0, 0) for i in range(2)], *[(i, 7 + i, 0, 0, 0, 0) for i in range(3)])
    notes = [
        Note(0, "start", START),
        Note(1, "start", {**START, "same_count": True}),
        Note(2, "index", {"seq": 9, "time_us": 4_000_000_005, "crank": 11}),
        Note(2, "start", START),
        Note(2, "start", START),
        Note(2, "index", {"seq": 0, "time_us": 5, "crank": 0}),
        Note(5, "start", START),
        Note(5, "index", {"seq": 0, "time_us": 3, "crank": -4}),
        Note(5, "mark", {"at": "", "text": "stop out"}),
        Note(5, "of-a-later-version", {"anything": [1]}),
    ]
    capture = parse(whole_text(ONE, rows, notes))
    assert capture.complete
    assert capture.samples.origin.tolist() == [1, 1, 3, 3, 3]
    assert capture.samples.time_us.tolist() == [4_000_000_000, 4_000_000_001, 7, 8, 9]
    assert capture.index.origin.tolist() == [1, 3, 4]
    assert capture.index.time_us.tolist() == [4_000_000_005, 5, 3]
    assert capture.marks == ("stop out",)


NOTES = st.one_of(
    st.builds(lambda s, t, c: ("index", {"seq": s, "time_us": t, "crank": c}), U32, U32, I32),
    st.builds(lambda t, w, n: ("fault", {"seq": 0, "time_us": t, "word": w, "number": n}), U32, st.text(), I32),
    st.builds(lambda a, b: ("gap", {"lost": a, "bytes": b, "after_seq": None}), U32, U32),
    st.builds(lambda same: ("start", {**START, "same_count": same}), st.booleans()),
    st.builds(lambda text: ("mark", {"at": "", "text": text}), st.text()),
    st.builds(lambda kind: (f"x{kind}", {}), st.text()),
)


@st.composite
def captures(draw: st.DrawFn) -> tuple[Header, np.ndarray, list[Note]]:
    channels = draw(st.integers(1, 2))
    text = st.text()
    header = replace((ONE, TWO)[channels - 1], engine=draw(text), note=draw(text), link=draw(text))
    rows = draw(st.lists(st.tuples(U32, U32, I32, U32, *[I32] * 2 * channels), max_size=8))
    notes = sorted(
        (Note(draw(st.integers(0, len(rows))), *note) for note in draw(st.lists(NOTES, max_size=6))), key=lambda n: n.row
    )
    return header, np.array(rows, np.int64).reshape(len(rows), 4 + 2 * channels), notes


@given(captures())
def test_what_is_written_is_read(made: tuple[Header, np.ndarray, list[Note]]) -> None:
    assert same(parse(whole_text(*made)), from_rows(*made))


@pytest.mark.parametrize("header", [ONE, TWO], ids=["one channel", "two channels"])
@pytest.mark.parametrize("seed", [1, 2])
def test_pandas_and_polars_open_it_as_it_is(header: Header, seed: int, tmp_path: Path) -> None:
    rng, width = np.random.default_rng(seed), 4 + 2 * len(header.channels)
    rows = rng.integers(0, 2**31, (60_000, width)) * rng.choice([0, 1], (60_000, width)) >> rng.integers(0, 31, (60_000, width))
    rows[:, 2] *= -1
    notes = [
        Note(int(row), "mark", {"at": "", "text": "# one, two\u2028three \xe4"}) for row in np.sort(rng.integers(0, 60_001, 500))
    ]
    path = tmp_path / "01-sweep.csv"
    path.write_bytes(whole_text(header, rows, notes))  # several blocks of the reader
    capture = load(path)
    assert capture.complete
    assert capture.path == str(path)
    assert len(capture.marks) == 500
    frame, other = pd.read_csv(path, comment="#"), pl.read_csv(path, comment_prefix="#")
    assert tuple(frame.columns) == tuple(other.columns) == columns(len(header.channels))
    assert np.array_equal(frame.to_numpy(), rows)
    assert np.array_equal(other.to_numpy(), rows)
    ours = capture.samples
    readings = [n for pair in zip(ours.age_us, ours.lift, strict=True) for n in pair]
    assert np.array_equal(np.stack([ours.seq, ours.time_us, ours.crank, ours.flags, *readings], axis=1), rows)


REFUSED = {
    "foreign": (b"time,lift\n1,2\n", "line 1: this is not a capture"),
    "binary": (bytes(range(256)), "line 1: this is not a capture"),
    "almost": (b"# lobetrace capture one\n", "line 1: this is not a capture"),
    "format 2": (b"# lobetrace capture 2\nanything", "line 1: this capture is of format 2, and this program reads format 1"),
    "format 12": (b"# lobetrace capture 12", "line 1: this capture is of format 12"),
    "no header": (b"# lobetrace capture 1\nseq,time_us\n", "line 2: this line is neither a row nor a note"),
    "deep header": (b"# lobetrace capture 1\n# {" + b"[" * 100_000 + b"\n", "line 2: this line is neither a row nor a note"),
    "other columns": (header_text(ONE).replace("lift1", "lift").encode(), "line 3: the columns are not seq,time_us,"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_capture_is_refused(case: str) -> None:
    data, sentence = REFUSED[case]
    with pytest.raises(CaptureError, match=f"^x.csv, {re.escape(sentence)}"):
        parse(data, "x.csv")


HEADERS = [
    ('"format": 1', '"format": 2'),
    ('"step": "sweep"', '"step": "twirl"'),
    ('"cylinder": 1', '"cylinder": true'),
    ('"cylinder": 1', '"cylinder": 0'),
    ('"channels": ["intake"]', '"channels": []'),
    ('"channels": ["intake"]', '"channels": ["intake", "exhaust"]'),
    ('"steps_mm": [0.01]', '"steps_mm": [0]'),
    ('"steps_mm": [0.01]', '"steps_mm": [Infinity]'),
    ('"steps_mm": [0.01]', '"steps_mm": ["x"]'),
    ('"units": ["mm"]', '"units": ["cm"]'),
    ('"cpr": 2400', '"cpr": 2400.0'),
    ('"index": true', '"index": 1'),
    ('"hello": {', '"hallo": {'),
    ('"link": ""', '"link": null'),
]


@pytest.mark.parametrize(("old", "new"), HEADERS)
def test_a_header_that_does_not_say_what_it_must_is_refused(old: str, new: str) -> None:
    text = header_text(ONE)
    assert old in text
    with pytest.raises(CaptureError, match="line 2: the header of this capture does not say"):
        parse(text.replace(old, new).encode())


LINES = [
    "1,2,3,4,5",
    "1,2,3,4,5,6,7",
    "1,2,3,4,5,",
    "a,2,3,4,5,6",
    "1,2,3,4,5,6 ",
    "",
    "-1,2,3,4,5,6",
    "1,2,2147483648,4,5,6",
    "1.0,2,3,4,5,6",
]
NOTE_LINES = [
    '# {"index": {"seq": 1, "time_us": 2}}',
    '# {"index": {"seq": 1, "time_us": -2, "crank": 3}}',
    '# {"index": {"seq": 1, "time_us": 2, "crank": 1e999}}',
    '# {"fault": {"seq": 1, "time_us": 2, "word": 3, "number": 4}}',
    '# {"start": {"same_count": 0}}',
    '# {"gap": {"lost": "3", "bytes": 4}}',
    '# {"mark": {}}',
    '# {"mark": 1}',
    '# {"mark": {}, "gap": {}}',
    "# a word in between",
    '#{"mark": {"text": ""}}',
]


@pytest.mark.parametrize("line", LINES + NOTE_LINES)
@pytest.mark.parametrize("closed", [True, False], ids=["closed", "cut short"])
def test_a_bad_line_is_refused_by_its_number(line: str, closed: bool) -> None:
    many = 100_000 if line in (LINES[0], NOTE_LINES[0]) else 1000  # several blocks of the reader, or one
    text = header_text(ONE) + "1,2,3,4,5,6\n" * (many // 3) + '# {"mark": {"text": "#"}}\n' * 3
    text += "1,2,3,4,5,6\n" * (many - many // 3)
    at = len(text)
    text += f"{line}\n1,2,3,4,5,6\n"
    if closed:
        text += f'# {{"end": {{"rows": {many + 2}, "sha256": "{hashlib.sha256(text.encode()).hexdigest()}"}}}}\n'
    number = text[:at].count("\n") + 1
    with pytest.raises(CaptureError, match=f"^y.csv, line {number}: "):
        parse(text.encode(), "y.csv")


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"none\.csv: the capture cannot be read"):
        load(tmp_path / "none.csv")
