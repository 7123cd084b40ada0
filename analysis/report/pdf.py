"""The same sheet as PDF, by the same template. Fonts are embedded; nothing outside the page is ever fetched."""

from __future__ import annotations

from typing import Any

from analysis.base.errors import UsageError
from analysis.decision.decide import Decision
from analysis.report.html import Paper, sheet_html


def sheet_pdf(decision: Decision, paper: Paper = "A4", *, job_sha256: str = "") -> bytes:
    """The file's bytes. Raises UsageError if the library that makes PDF cannot be loaded on this machine."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:  # OSError: its own system libraries (Pango) are missing
        raise UsageError(
            f"a PDF cannot be made here ({error})",
            do="Install WeasyPrint and Pango (https://doc.courtbouillon.org/weasyprint), or write .html and print that",
        ) from error
    made: Any = HTML(string=sheet_html(decision, paper, job_sha256=job_sha256), url_fetcher=_nothing)
    body, startxref, end = bytes(made.write_pdf()).rpartition(b"startxref")
    return (
        body + b"% lobetrace\n" + startxref + end
    )  # a comment where it moves nothing: says whose file it is (all else is compressed)


def _nothing(url: str, *_: Any, **__: Any) -> Any:
    raise ValueError(f"a sheet holds everything itself; it asked for {url}")
