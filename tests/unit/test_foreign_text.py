"""Nothing foreign drives the terminal: names, notes, file names and what somebody typed, in every output that a terminal may get."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.cli import run, say
from acquire.cli.frame_words import of_board
from acquire.cli.status_line import LiveLine
from acquire.dashboard.lines import Lines
from analysis.base.errors import UsageError
from analysis.base.foreign import MOST, escaped, harmless, sentence, shown
from analysis.base.samples import Board
from analysis.job import parse_job
from analysis.job.template import template
from analysis.report.sheet import _head

# ECMA-48: escape, bell, a C1 control sequence introducer; UAX 9: override, isolate, marks; separators; half of a surrogate pair.
DRIVES = "\x1b]0;owned\x07\x1b[2J\x9b31m\r\b\x7f\u202e\u2066\u200f\u061c\u2028\ud800"
FORBIDDEN = ("Cc", "Cs", "Zl", "Zp")
BIDI = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def is_harmless(text: str) -> bool:
    """By the Unicode character database itself."""
    lines = text.replace("\n", "")
    return not any(unicodedata.category(c) in FORBIDDEN or unicodedata.bidirectional(c) in BIDI for c in lines)


@given(st.text(st.characters()))
def test_no_text_comes_through_that_drives_a_terminal(text: str) -> None:
    assert is_harmless(harmless(text))
    assert is_harmless(sentence(f"this '{text}' is not known"))
    assert is_harmless(escaped(json.dumps(text, ensure_ascii=False)))
    assert json.loads(escaped(json.dumps(text, ensure_ascii=False))) == text
    one = shown(text)
    assert is_harmless(one)
    assert "\n" not in one
    assert len(one) <= MOST


@given(st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), max_size=MOST))
def test_what_is_harmless_stays_as_it_is(text: str) -> None:
    assert shown(text) == harmless(text) == text


def test_what_is_long_is_cut() -> None:
    assert shown("x" * 5000) == "x" * (MOST - 1) + "…"
    assert sentence(f"'{'x' * 5000}' is not known") == f"'{'x' * MOST}…' is not known"
    error = UsageError(f"the key '{'k' * 9999}' is not known", where="w" * 9999)
    assert len(str(error)) < 3 * MOST


def test_an_error_and_its_place(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(["analyze", str(tmp_path / f"no{DRIVES}job")]) == 2
    out, err = capsys.readouterr()
    assert (out, is_harmless(err), len(err.splitlines())) == ("", True, 1)
    with pytest.raises(UsageError) as caught:
        parse_job(template().replace('direction = "auto"', 'direction = "\\u001b[2J\\u202eup"'))
    assert is_harmless(str(caught.value))


def test_the_sheet() -> None:
    job = parse_job(template())
    named = job.model_copy(update={"engine": job.engine.model_copy(update={"name": DRIVES + "four" * 200})})
    assert all(is_harmless(line) for line in _head(named))
    assert sum(map(len, _head(named))) < 3 * MOST + 300


def test_a_board_and_whatever_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    board = Board(2400, True, "edge", (0.01,), ("mm",), f"a{DRIVES}b", 1)
    assert is_harmless(of_board(board))
    assert len(of_board(replace(board, name="b" * 9999))) < MOST + 200
    for speak in (say.result, say.person):
        speak(DRIVES)
    say.result_json({"name": DRIVES})
    out, err = capsys.readouterr()
    assert is_harmless(out)
    assert is_harmless(err)
    assert json.loads(out.partition("\n")[2])["name"] == DRIVES


def test_the_live_line(capsys: pytest.CaptureFixture[str]) -> None:
    import sys

    LiveLine(sys.stderr, lambda: 0.0).show(lambda: DRIVES + "count" * 200)
    err = capsys.readouterr().err
    assert is_harmless(err)
    assert len(err) <= MOST + 1


def test_the_live_screen() -> None:
    widget = Lines()
    widget.get_component_rich_style = lambda *_names, **_: widget.rich_style  # type: ignore[method-assign]
    strip = widget._strip(((DRIVES + "four", "plain"),), 80)
    assert is_harmless(strip.text)
    assert strip.text.rstrip().endswith("four")
