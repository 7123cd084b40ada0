"""The PDF, read back by another library: pages, paper, fonts inside, words found."""

from __future__ import annotations

import io
import re
from functools import cache
from typing import Any

import pypdf
import pytest

from analysis.report.html import Paper
from tests.decided import whole
from tests.left_out import thorough

weasyprint = pytest.importorskip("weasyprint", reason="no WeasyPrint, or its Pango is missing", exc_type=(ImportError, OSError))  # type: ignore[arg-type]


@cache
def read(late_deg: float, paper: Paper) -> pypdf.PdfReader:
    from analysis.report.pdf import sheet_pdf

    return pypdf.PdfReader(io.BytesIO(sheet_pdf(whole(late_deg), paper)))


def fonts(reader: pypdf.PdfReader) -> list[Any]:
    """Every font of every page; a composite font stands for its descendant, which holds the file."""
    found = []
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            font = font.get_object()
            found.append(font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font)
    return found


@pytest.mark.parametrize(("paper", "size"), [("A4", (595.28, 841.89)), *thorough(("letter", (612.0, 792.0)))])
@pytest.mark.parametrize("late_deg", [4.0, *thorough(0.0)])
def test_it_is_one_page_of_the_paper_asked_for_with_its_fonts(paper: Paper, size: tuple[float, float], late_deg: float) -> None:
    reader = read(late_deg, paper)
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.5)
    assert fonts(reader)
    for font in fonts(reader):
        descriptor = font["/FontDescriptor"].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor), font["/BaseFont"]


def test_its_words_can_be_found_and_copied() -> None:
    decision = whole(4.0)
    text = re.sub(r"\s+", " ", read(4.0, "A4").pages[0].extract_text())
    for words in (
        "Tidewater 4",
        "Out of tolerance",
        "crank degrees late",
        "advance it by 4 crank degrees",
        "ISO 14253-1",
        "piston to intake",
    ):
        assert words in text
    for capture in decision.measured.captures:
        assert capture.name in text
    assert read(4.0, "A4").metadata is not None
