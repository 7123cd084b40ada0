"""Who measured what, with what: the words of a sheet that is handed over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.base.samples import Header
from analysis.base.words import length
from analysis.job import Job
from analysis.lobe.result import Lobe


def provenance(job: Job, lobes: Sequence[Lobe], version: str) -> Iterator[tuple[str, str]]:
    """Name and text of each: what [record] says, the board and its resolution as the captures have them, the program."""
    record = job.record
    told = (
        ("customer", record.customer),
        ("engine number", record.engine_number),
        ("camshaft", record.camshaft),
        ("camshaft serial number", record.camshaft_serial),
        ("measured by", record.operator),
    )
    yield from ((name, text) for name, text in told if text)
    headers = [lobe.swept.sweep.header for lobe in lobes]
    yield from ((name, " and ".join(dict.fromkeys(texts))) for name, texts in _of_boards(headers, job) if texts)
    if version:
        yield "software", f"lobetrace {version}"


def _of_boards(headers: Sequence[Header], job: Job) -> Iterator[tuple[str, list[str]]]:
    units = job.measure.units
    boards = [header.board for header in headers]
    yield "board", [board.name for board in boards if board.name]
    yield "encoder", [f"{board.cpr} counts a turn ({360.0 / board.cpr:.3g} degrees)" for board in boards]
    yield "indicator", [f"{length(step, units)} {units} a count" for board in boards for step in board.steps_mm]
