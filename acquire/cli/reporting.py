"""`lobetrace report`: the sheet to hand over, as HTML or PDF by the name of the file."""

from __future__ import annotations

import os
from pathlib import Path

from acquire.cli import say
from acquire.cli.job_folder import captures_of, folder_of
from analysis.capture import load
from analysis.decision.decide import Decision, decide
from analysis.errors import UsageError
from analysis.job import load_job
from analysis.report.html import Paper, sheet_html


def run(job_path: Path, out: Path, paper: str, as_json: bool) -> None:
    """Write the sheet and say where it is and what its verdict is."""
    kind = out.suffix.lower()
    if kind not in (".html", ".htm", ".pdf"):
        raise UsageError(f"{out.name} is neither HTML nor PDF", do="Give a file that ends in .html or .pdf")
    decision = decided(job_path)
    size: Paper = _paper(paper, decision)
    if kind == ".pdf":
        from analysis.report.pdf import sheet_pdf

        data = sheet_pdf(decision, size)
    else:
        data = sheet_html(decision, size if paper != "auto" else None).encode("utf-8")
    _write(out, data)
    if as_json:
        say.result_json({"sheet": str(out), "bytes": len(data), "verdict": decision.verdict})
    else:
        say.result(f"{out}: {decision.verdict}")


def decided(job_path: Path) -> Decision:
    """What the job's captures come to. UsageError if there are none, DataError if they cannot be measured."""
    job = load_job(job_path)
    files = captures_of(folder_of(job_path))
    if not files:
        raise UsageError(
            "there are no captures", where=str(job_path), do="Record some: lobetrace capture JOB --step stop, then sweep"
        )
    return decide(job, [load(file) for file in files])


def _paper(paper: str, decision: Decision) -> Paper:
    if paper == "auto":
        return "A4" if decision.job.measure.units == "mm" else "letter"
    return "A4" if paper == "a4" else "letter"


def _write(path: Path, data: bytes) -> None:
    """All of it or nothing: a reader never meets half a sheet."""
    made = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        made.write_bytes(data)
        made.replace(path)
    except OSError as error:
        made.unlink(missing_ok=True)
        raise UsageError(f"it cannot be written ({error.strerror})", where=str(path), do="Choose a file you may write") from None
