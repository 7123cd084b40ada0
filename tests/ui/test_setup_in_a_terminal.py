"""The set-up form in a terminal of its own, started by the commands that open it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.job import load_job

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals there", allow_module_level=True)

from tests.ui.test_in_a_terminal import Terminal

ENGINE = "four\r4\r86\r86\r145\r"


@pytest.fixture
def terminals() -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def make(*arguments: str) -> Terminal:
        made.append(Terminal(list(arguments), size=(80, 24)))
        return made[-1]

    yield make
    for terminal in made:
        terminal.close()


def test_live_without_a_job_sets_one_up_and_goes_straight_on(tmp_path: Path, terminals: Callable[..., Terminal]) -> None:
    terminal = terminals("live", str(tmp_path / "job"), "--port", "socket://127.0.0.1:1")
    terminal.until("5 lines to fill in")
    terminal.press("\x1b[6~")  # page down: the engine
    terminal.press(ENGINE)
    terminal.until("complete")
    terminal.press("\x13")  # Ctrl-S
    terminal.until("Read this before you touch the engine")
    terminal.press("q")
    assert terminal.end() == 0
    assert load_job(tmp_path / "job").engine.rod_mm == 145.0


@pytest.mark.thorough  # left in test_setup_form, and in a terminal restored in test_from_empty_folder_to_sheet
def test_new_that_is_left_writes_nothing_and_gives_the_terminal_back(tmp_path: Path, terminals: Callable[..., Terminal]) -> None:
    terminal = terminals("new", str(tmp_path / "job"))
    terminal.until("5 lines to fill in")
    terminal.press("\x1b")
    assert terminal.end() == 0
    assert terminal.restored()
    assert not (tmp_path / "job").exists()
