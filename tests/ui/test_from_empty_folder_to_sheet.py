"""The whole job as a shop does it: each command in a terminal of its own, on a simulated rig behind a real port."""

from __future__ import annotations

import hashlib
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path

import pytest

from acquire.cli.versus import versus
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from analysis.capture import load
from analysis.job import load_job, parse_job
from analysis.job.folder import captures_in
from analysis.measure import measure
from tests.recorded import demo_job

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals there", allow_module_level=True)

from tests.ui.test_in_a_terminal import ALT_SCREEN, Terminal

SCENARIO = SCENARIOS["workshop"]
DOWN, PAGE_DOWN, SAVE = "\x1b[B", "\x1b[6~", "\x13"
RECORD = ("Harbor Launches", "bench 2, early shift", "TW4-0193", "T4-105-107", "S-0007")
ENGINE = ("Tidewater 4, launch engine, 1.9 litre", "4", "86", "86", f"143{DOWN}0.8")
RIG = ("", "", "1.5", "0")  # no port: live brings its own
LIMITS = ("0.005", "0", "0.1", "2", "0.002", "0.005", "10")  # of error, as the rig's maker would state them
CARD = ("106", "105", "7.6", "7.4", "0", "0", "1.27", "213.5", "215.5")


@contextmanager
def at_a_terminal(*arguments: str) -> Iterator[Terminal]:
    """A command in a terminal, which ends by itself and leaves the terminal as it was."""
    terminal = Terminal(list(arguments), size=(100, 40))
    try:
        yield terminal
        assert terminal.end() == 0
        assert b"Traceback" not in terminal.out
        assert ALT_SCREEN not in terminal.out or terminal.restored()
    finally:
        terminal.close()


def test_from_an_empty_folder_to_a_sheet_that_can_be_signed(tmp_path: Path) -> None:
    folder = tmp_path / "launch"
    with at_a_terminal("new", str(folder)) as terminal:
        fill_in(terminal)
    job, simulated = load_job(folder), parse_job(demo_job(SCENARIO))
    assert (job.engine, job.rig) == (simulated.engine, simulated.rig)

    with at_a_terminal("live", str(folder), "--simulate", "--pace", "400", "--no-bell") as terminal:
        walk(terminal)
    hold_the_truth(folder)

    sheet = folder / "sheet.html"
    with at_a_terminal("report", str(folder), "-o", str(sheet)) as terminal:
        terminal.until("sheet.html: ")
    can_be_signed(sheet.read_text(encoding="utf-8"), folder)


def fill_in(terminal: Terminal) -> None:
    """The form, from top to bottom; the arrows reach the lines that seldom need an answer."""
    terminal.until("5 lines to fill in")
    terminal.press(DOWN + "".join(f"{text}\r" for text in (*RECORD, *ENGINE)))
    terminal.until("complete: F2 saves")
    terminal.press("".join(f"{text}\r" for text in RIG[:-1]) + RIG[-1] + 6 * DOWN)
    terminal.press(DOWN.join(LIMITS))
    terminal.press(PAGE_DOWN + "".join(f"{text}\r" for text in CARD) + SAVE)
    terminal.until("job.toml is written")


def walk(terminal: Terminal) -> None:
    """What the screen asks for, in its order; a simulated hand turns the crank."""
    for said in ("once you have read them", "piston stop fitted: press Enter", "piston stop removed: press Enter"):
        terminal.until(said)
        terminal.press("\r")
    for valve in ("intake", "exhaust"):
        terminal.until(f"Zero on the base circle, {valve}")
        terminal.until("indicator set up: press Enter")
        terminal.press("\r")
        terminal.until(f"Result, {valve}")
        terminal.until(f"{valve.upper()}, ")
        terminal.press("\r")
    terminal.until("All is measured and recorded.")
    terminal.until("every specified value is met")
    terminal.press("q")
    terminal.until("The sheet: lobetrace analyze")


def hold_the_truth(folder: Path) -> None:
    """What was recorded is whole, and comes to what the simulator knows."""
    job, captures = load_job(folder), [load(path) for path in captures_in(folder)]
    assert [capture.header.step for capture in captures] == ["stop", "sweep", "sweep"]
    assert all(capture.complete for capture in captures)
    known = truth(SCENARIO.rig, [(mm, job.measure.checking_at) for mm in job.measure.checking_lifts_mm])
    rows = versus(measure(job, captures), known)
    assert len(rows) > 30
    # 95 % intervals: of this many a few may miss, none by much.
    assert sum(row.inside for row in rows) >= 0.85 * len(rows)
    assert [row for row in rows if abs(row.off) > 2.5 * row.measured.u95] == []


def can_be_signed(page: str, folder: Path) -> None:
    """Whom it is for, what was measured and by whom, the verdict, where to sign, and what it can be traced to."""
    text = " ".join(unescape(re.sub(r"<[^>]+>", " ", re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL))).split())
    for said in (*RECORD, ENGINE[0], "Measured by Date Signature", "Within tolerance", "Timing diagram at 1.27 mm (lobe)"):
        assert said in text
    recorded = [
        path.read_bytes().rpartition(b'# {"end"')[0] for path in captures_in(folder)
    ]  # a capture's last line has its digest
    for data in ((folder / "job.toml").read_bytes(), *recorded):
        assert hashlib.sha256(data).hexdigest() in text
