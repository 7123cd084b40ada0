"""A job with more than ninety-nine captures: the newest is the one with the highest number, on the live screen too."""

from __future__ import annotations

from pathlib import Path

from acquire.procedure.setup import tdc_captures
from analysis.job.folder import captures_of
from tests.recorded import job_folder
from tests.rigs import SHORT


def test_the_hundredth_stop_is_newer_than_the_ninety_ninth(tmp_path: Path) -> None:
    folder = job_folder(tmp_path / "job", "", SHORT, ("stop",))
    (recorded,) = captures_of(folder)
    text = recorded.read_text(encoding="utf-8")
    recorded.unlink()
    for number in (100, 99, 2):
        noted = text.replace('"note": ""', f'"note": "{number}"')
        (folder / "captures" / f"{number:02d}-stop.csv").write_text(noted, encoding="utf-8")
    (newest,) = tdc_captures(folder)
    assert newest.header.note == "100"
