"""Captures cut short at every byte, and captures that somebody changed: what is there loads, what is not is said."""

from __future__ import annotations

import hashlib
import json
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.errors import CaptureError
from analysis.base.samples import Board, Capture, Header
from analysis.capture import parse
from analysis.capture.text import Note, whole_text

HEADER = Header(
    Board(2400, True, "edge", (0.01, 0.0127), ("mm", "in"), "bench-a", 57), "sweep", 1, ("intake", "exhaust"), note="\u00e4"
)
ROWS = np.array([(i, (4_294_967_000 + 400 * i) % 2**32, i - 3, 256 * (i == 2), 35, -i, 0, 10**i) for i in range(6)], np.int64)
NOTES = [
    Note(0, "mark", {"at": "", "text": "first \u00e4"}),
    Note(2, "index", {"seq": 2, "time_us": 4_294_967_290, "crank": -2}),
    Note(3, "gap", {"lost": 3, "bytes": 120, "after_seq": 2}),
    Note(4, "start", {"hello": {}, "at": "", "same_count": False}),
]
WHOLE = whole_text(HEADER, ROWS, NOTES)
BODY = WHOLE.index(b"lift2\n") + 6


def rows(capture: Capture) -> list[tuple[int, ...]]:
    s = capture.samples
    return list(zip(s.seq.tolist(), (s.time_us % 2**32).tolist(), s.crank.tolist(), s.flags.tolist(), strict=True))


def test_the_whole_is_complete() -> None:
    capture = parse(WHOLE)
    assert capture.complete
    assert capture.missing == ()
    assert rows(capture) == [tuple(row[:4]) for row in ROWS.tolist()]


HEADER_ENDS = WHOLE.index(b"seq,")


@pytest.mark.parametrize("cut", range(HEADER_ENDS))
def test_cut_short_inside_the_header_it_is_refused(cut: int) -> None:
    with pytest.raises(CaptureError, match=rf"cut\.csv, line 2: it is cut short inside its header, after {cut} bytes"):
        parse(WHOLE[:cut], "cut.csv")


@pytest.mark.parametrize("cut", range(HEADER_ENDS, len(WHOLE)))
def test_cut_short_at_every_byte(cut: int) -> None:
    capture = parse(WHOLE[:cut], "cut.csv")
    whole_lines = WHOLE[:cut].rpartition(b"\n")[0].split(b"\n")[3:]
    expected = [tuple(int(field) for field in line.split(b",")) for line in whole_lines if not line.startswith(b"#")]
    assert rows(capture) == [row[:4] for row in expected]
    assert capture.samples.age_us.T.tolist() == [list(row[4::2]) for row in expected]
    assert not capture.complete
    (sentence,) = capture.missing
    assert "cut short" in sentence
    assert capture.sha256 == hashlib.sha256(WHOLE[:cut]).hexdigest()
    assert f"{len(expected)} rows were read" in sentence
    left_out = cut - WHOLE.rfind(b"\n", 0, cut) - 1
    assert f"; {left_out} bytes of an unfinished line" in sentence
    if expected:
        assert f"board time {capture.samples.time_us[-1] / 1e6:.6f} s" in sentence


def test_a_last_row_that_lost_digits_is_not_taken_for_a_smaller_number() -> None:
    cut = WHOLE.index(b"100000\n") + 3
    assert rows(parse(WHOLE[:cut]))[-1][0] == 4


def test_what_a_power_loss_leaves_behind() -> None:
    capture = parse(WHOLE[: WHOLE.index(b"100000\n") + 7] + bytes(4096))
    assert rows(capture)[-1][0] == 5
    assert "4096 bytes of an unfinished line" in capture.missing[0]


def noticed(data: bytes) -> None:
    try:
        capture = parse(data)
    except CaptureError:
        return
    assert not capture.complete
    assert capture.missing


@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_a_changed_byte_is_noticed(at: int, flip: int) -> None:
    noticed(WHOLE[:at] + bytes([WHOLE[at] ^ flip]) + WHOLE[at + 1 :])


@pytest.mark.parametrize("flip", [1, 0x20, 0x80])
def test_a_changed_bit_is_noticed_at_every_byte(flip: int) -> None:
    for at in range(len(WHOLE)):
        noticed(WHOLE[:at] + bytes([WHOLE[at] ^ flip]) + WHOLE[at + 1 :])


@given(st.integers(0, len(WHOLE)), st.integers(0, len(WHOLE)), st.binary(max_size=40))
def test_a_changed_stretch_is_noticed(start: int, stop: int, instead: bytes) -> None:
    changed = WHOLE[:start] + instead + WHOLE[max(start, stop) :]
    if changed != WHOLE:
        noticed(changed)


@given(st.binary(max_size=200))
def test_any_bytes_behind_the_header_end_in_a_capture_or_in_our_error(tail: bytes) -> None:
    noticed(WHOLE[:BODY] + tail)


@pytest.mark.parametrize("seed", range(5))
def test_a_row_taken_out_is_counted(seed: int) -> None:
    lines = WHOLE.splitlines(keepends=True)
    del lines[random.Random(seed).choice([i for i, line in enumerate(lines) if line[:1].isdigit()])]
    capture = parse(b"".join(lines))
    assert len(capture.samples.seq) == 5
    assert any("5 rows" in sentence and "says 6" in sentence for sentence in capture.missing)
    assert any("SHA-256" in sentence for sentence in capture.missing)


def test_another_digest_is_said() -> None:
    (sentence,) = parse(WHOLE.replace(b"first", b"First")).missing
    assert "SHA-256" in sentence


@pytest.mark.parametrize("tail", [b"7,7,7,0,0,0,0,0\n", b"7", b'# {"mark": {"text": ""}}\n', WHOLE.splitlines(keepends=True)[-1]])
def test_what_stands_behind_the_closing_line_is_said(tail: bytes) -> None:
    capture = parse(WHOLE + tail)
    assert any("behind its closing line" in sentence for sentence in capture.missing)
    assert not capture.complete


def test_changed_line_ends_are_said_and_nothing_else() -> None:
    capture = parse(WHOLE.replace(b"\n", b"\r\n"))
    assert rows(capture) == rows(parse(WHOLE))
    (sentence,) = capture.missing
    assert "CR LF" in sentence


def test_a_closing_line_that_says_nothing_is_refused() -> None:
    end = json.dumps({"end": {"rows": "6", "sha256": ""}})
    with pytest.raises(CaptureError, match="line 14: the note 'end' has no sound 'rows'"):
        parse(WHOLE.rpartition(b"# ")[0] + f"# {end}\n".encode())


@pytest.mark.parametrize(
    "saved",
    [b"\xef\xbb\xbf" + WHOLE, WHOLE.decode("utf-8").encode("utf-16"), b'"' + WHOLE.replace(b"\n", b'"\n"')],
    ids=["byte-order mark", "UTF-16", "quoted"],
)
def test_what_another_program_made_of_it_is_said(saved: bytes) -> None:
    with pytest.raises(CaptureError, match="saved by another program"):
        parse(saved, "saved.csv")
