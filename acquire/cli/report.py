"""`lobetrace report`: the sheet to hand over, as HTML or PDF by the name of the file."""

from __future__ import annotations

import hashlib
from pathlib import Path

from acquire.cli import say
from acquire.cli.output_file import write
from acquire.cli.read_job import read_job
from analysis.base.errors import UsageError
from analysis.decision.decide import Decision, decide
from analysis.job import FILE_NAME
from analysis.lobe.result_json import captures_json
from analysis.report.html import Paper, sheet_html


def run(job_path: Path, out: Path, paper: str, as_json: bool, *, force: bool = False) -> None:
    """Write the sheet and say where it is and what its verdict is."""
    kind = out.suffix.lower()
    if kind not in (".html", ".htm", ".pdf"):
        raise UsageError(f"{out.name} is neither HTML nor PDF", do="Give a file that ends in .html or .pdf")
    decision = decided(job_path)
    size: Paper = _paper(paper, decision)
    digest = hashlib.sha256((job_path / FILE_NAME if job_path.is_dir() else job_path).read_bytes()).hexdigest()
    if kind == ".pdf":
        from analysis.report.pdf import sheet_pdf

        data = sheet_pdf(decision, size, job_sha256=digest)
    else:
        data = sheet_html(decision, size if paper != "auto" else None, job_sha256=digest).encode("utf-8", "replace")
    write(out, data, force=force)
    if as_json:
        told = {"sheet": str(out), "bytes": len(data), "verdict": decision.verdict}
        say.result_json({**told, "captures": captures_json(decision.measured.captures)}, "report")
    else:
        say.result(f"{out}: {decision.verdict}")


def decided(job_path: Path) -> Decision:
    """What the job's captures come to. UsageError if there are none, DataError if they cannot be measured."""
    return decide(*read_job(job_path))


def _paper(paper: str, decision: Decision) -> Paper:
    if paper == "auto":
        return "A4" if decision.job.measure.units == "mm" else "letter"
    return "A4" if paper == "a4" else "letter"
