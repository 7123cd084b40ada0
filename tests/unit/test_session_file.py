"""The procedure's memory in the job's folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from acquire.procedure.saved_session import FILE_NAME, read_session, write_session
from acquire.procedure.session import MET, OVERRIDDEN, Happened, Place
from acquire.procedure.steps import RIG, STOP
from analysis.base.errors import CaptureError

AT = "2030-01-02T03:04:05+00:00"
BOTH = (Happened(MET, Place(RIG)), Happened(OVERRIDDEN, Place(STOP), "Anschlag: „fest“"))


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    for happened in BOTH:
        write_session(tmp_path, happened, AT)
    assert read_session(tmp_path) == BOTH


def test_a_new_job_has_none(tmp_path: Path) -> None:
    assert read_session(tmp_path) == ()


def test_cut_at_any_byte_whole_lines_are_read_and_writing_goes_on(tmp_path: Path) -> None:
    for happened in BOTH:
        write_session(tmp_path, happened, AT)
    whole = (tmp_path / FILE_NAME).read_bytes()
    for length in range(len(whole)):
        (tmp_path / FILE_NAME).write_bytes(whole[:length])
        lines = whole[:length].count(b"\n") + (whole[length : length + 1] == b"\n")
        assert read_session(tmp_path) == BOTH[:lines]
        write_session(tmp_path, BOTH[1], AT)
        assert read_session(tmp_path) == (*BOTH[:lines], BOTH[1])


def test_what_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be written down"):
        write_session(tmp_path / "missing", BOTH[0], AT)


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(CaptureError, match="cannot be read"):
        read_session(tmp_path)
