"""The command in a terminal of its own: keys, sizes and signals, and what they leave behind."""

from __future__ import annotations

import codecs
import io
import os
import re
import select
import signal
import struct
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from shutil import copytree

import pytest

from acquire.cli import run
from acquire.procedure.saved_session import write_session
from acquire.procedure.session import MET, Happened, Place, Plan, places
from acquire.procedure.steps import RIG, SWEEP
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.samples import Capture
from analysis.capture import load
from tests.recorded import demo_job

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals there", allow_module_level=True)

import fcntl
import termios

from tests.left_out import thorough

CODE = re.compile(rb"\x1b\[[0-9;?<>=]*[a-zA-Z]")  # of colors and cursor moves
CUT = re.compile(rb"\x1b(\[[0-9;?<>=]*)?\Z")  # one that is not whole yet
SHOWN = 20_000  # letters of what came instead of what was waited for: some pictures, however often a rate changes
ALT_SCREEN, MAIN_SCREEN, CURSOR = b"\x1b[?1049h", b"\x1b[?1049l", b"\x1b[?25h"
WITHIN_S = 300
SAMPLE = Path(__file__).parents[2] / "sample-captures" / "clean"


class Terminal:
    """A pseudo-terminal with a program in it."""

    def __init__(self, arguments: list[str], size: tuple[int, int] = (120, 36), **env: str) -> None:
        self.master, self._slave = os.openpty()
        self._size(size)
        self.before = termios.tcgetattr(self._slave)
        self.out = bytearray()
        self._left = b""  # of what came last: the beginning of a code
        self._letters = codecs.getincrementaldecoder("utf-8")("replace")
        self._text = ""  # what has been drawn and was not waited for yet
        self._deadline = time.monotonic() + WITHIN_S
        self.process = subprocess.Popen(
            [sys.executable, "-m", "acquire", *arguments],
            stdin=self._slave,
            stdout=self._slave,
            stderr=self._slave,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": os.getcwd(), **env},
        )

    def _size(self, size: tuple[int, int]) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))

    def resize(self, size: tuple[int, int]) -> None:
        """Another size, as a window manager would."""
        self._size(size)
        self.process.send_signal(signal.SIGWINCH)

    def press(self, keys: str) -> None:
        """Keys."""
        os.write(self.master, keys.encode())

    def until(self, wanted: str) -> None:
        """Read until the text has been drawn since what was waited for last."""
        while (found := self._text.find(wanted)) < 0:
            self._text = self._text[-SHOWN:]
            self._more(wanted)
        self._text = self._text[found + len(wanted) :]

    def end(self) -> int:
        """Read to the end; the exit code."""
        while self.process.poll() is None:
            self._more("its end")
        while select.select([self.master], [], [], 0)[0] and self._read():
            pass
        return int(self.process.returncode)

    def _more(self, wanted: str) -> None:
        select.select([self.master], [], [], 0.5)
        if time.monotonic() > self._deadline:  # a watchdog, so that a hang is a failure; nothing is judged by it
            raise AssertionError(f"{wanted!r} never came; last {self._text}")
        if select.select([self.master], [], [], 0)[0]:
            self._read()

    def restored(self) -> bool:
        """Whether the terminal is as it was: its modes, its screen, its cursor."""
        modes = termios.tcgetattr(self._slave)[:4] == self.before[:4]
        return (
            modes
            and self.out.rfind(MAIN_SCREEN) > self.out.rfind(ALT_SCREEN)
            and CURSOR in self.out[self.out.rfind(ALT_SCREEN) :]
        )

    def _read(self) -> bytes:
        try:
            data = os.read(self.master, 1 << 16)
        except OSError:
            return b""
        self.out += data
        self._left += data
        cut = CUT.search(self._left)
        end = len(self._left) if cut is None else cut.start()
        self._text += self._letters.decode(CODE.sub(b"", self._left[:end]))
        self._left = self._left[end:]
        return data

    def close(self) -> None:
        """Whatever happens."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def terminals() -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def make(*arguments: str, **options: object) -> Terminal:
        made.append(Terminal(list(arguments), **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for terminal in made:
        terminal.close()


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job that was left in the middle of the intake sweep."""
    scenario = SCENARIOS["clean"]
    (tmp_path / "job.toml").write_text(demo_job(scenario), encoding="utf-8")
    for place in places(Plan()):
        if place == Place(SWEEP, "intake"):
            break
        write_session(tmp_path, Happened(MET, place, "up" if place.step == RIG else ""), "2030-01-02T03:04:05+00:00")
    return tmp_path


def sweeping(terminals: Callable[..., Terminal], job: Path, pace: int = 20) -> Terminal:
    """A terminal in which the sweep is being recorded."""
    terminal = terminals("live", str(job), "--simulate", "--scenario", "clean", "--pace", str(pace), "--no-bell")
    terminal.until("Press Enter")
    terminal.press("\r")
    terminal.until("Sweep, intake")
    terminal.until("slack taken up")
    return terminal


def whole_in_the_end(terminal: Terminal, job: Path) -> Capture:
    """What was recorded, once the program has ended and left file and terminal as they should be."""
    assert terminal.end() == 0
    assert terminal.restored()
    assert b"Traceback" not in terminal.out
    (file,) = (job / "captures").rglob("*.csv")
    capture = load(file)
    assert capture.complete
    return capture


@pytest.mark.parametrize("how", ["SIGTERM", *thorough("SIGINT", "SIGHUP")])
def test_however_it_ends_the_file_is_closed_and_the_terminal_restored(
    terminals: Callable[..., Terminal], job: Path, how: str
) -> None:
    terminal = sweeping(terminals, job)
    terminal.process.send_signal(getattr(signal, how))
    assert whole_in_the_end(terminal, job).samples.crank.size > 0


@pytest.mark.parametrize("told", [True, *thorough(False)], ids=["with SIGHUP", "without"])
def test_the_terminal_itself_goes_away(terminals: Callable[..., Terminal], job: Path, told: bool) -> None:
    """The window is closed: a hang-up, and nothing to draw on any more."""
    terminal = sweeping(terminals, job)
    os.close(terminal.master)
    if told:
        terminal.process.send_signal(signal.SIGHUP)
    terminal.process.wait(WITHIN_S)
    terminal.master = os.open(os.devnull, os.O_RDWR)
    (file,) = (job / "captures").rglob("*.csv")
    assert load(file).complete


@pytest.mark.thorough  # a page is served beside a replay below, and until the end in test_second_screen_beside_the_live_one
def test_a_page_beside_it_is_served_until_it_ends(terminals: Callable[..., Terminal], job: Path) -> None:
    """On all networks, so that the code is drawn first; then as another machine would, but from this one."""
    terminal = terminals("live", str(job), "--simulate", "--scenario", "clean", "--no-bell", "--screen", "0.0.0.0")
    terminal.until("Press Enter to begin.")
    (port, path), *_ = re.findall(r"The second screen: http://[^/]+:(\d+)/(\S+/)", terminal.out.decode())
    assert "▄▄▄▄▄" in terminal.out.decode()
    terminal.press("\r")
    terminal.until("Press Enter once you have read them")
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/{path}events", timeout=WITHIN_S) as events:
        while not (line := events.readline()).startswith(b"data: {"):
            assert line
        terminal.press("\x03")
        assert terminal.end() == 0
        while events.readline():
            pass
    assert terminal.restored()
    assert b"Traceback" not in terminal.out


def test_it_is_resized_in_the_middle_of_a_sweep(
    terminals: Callable[..., Terminal], job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at the pace of the others, so that the sweep is not over before the last size."""
    monkeypatch.setenv("COLUMNS", "120")  # as some shells export it
    monkeypatch.setenv("LINES", "36")
    terminal = sweeping(terminals, job, pace=16)
    terminal.resize((80, 24))
    terminal.until("Sweep, intake")
    terminal.resize((40, 12))
    terminal.until("40x12 is too small.")
    terminal.until("Recording goes on.")
    terminal.resize((200, 60))
    terminal.until("Sweep, intake")
    terminal.press("\x03")  # Ctrl-C
    assert not whole_in_the_end(terminal, job).gaps


@pytest.mark.thorough  # refused in test_link_connection, said and tried again in test_troubles
def test_a_port_that_is_held_is_said_and_tried_again(terminals: Callable[..., Terminal], job: Path) -> None:
    master, slave = os.openpty()
    try:
        fcntl.flock(slave, fcntl.LOCK_EX | fcntl.LOCK_NB)
        terminal = terminals("live", str(job), "--port", os.ttyname(slave))
        terminal.until("another program holds this port")
        terminal.until("DISCONNECTED")
        terminal.press("q")
        assert terminal.end() == 0
        assert terminal.restored()
    finally:
        os.close(master)
        os.close(slave)


def test_a_recorded_capture_plays(terminals: Callable[..., Terminal], job: Path) -> None:
    copytree(SAMPLE / "captures", job / "captures")
    before = sorted((job / "captures").rglob("*.csv"))
    terminal = terminals("replay", str(job / "captures" / "2-intake.csv"), "--speed", "1000", "--screen", "0.0.0.0")
    terminal.until("The second screen: http://")
    terminal.until("▄▄▄▄▄")  # the code of its address
    terminal.until("Press Enter to begin.")
    terminal.press("\r")
    terminal.until("Sweep, intake")
    terminal.until("The capture is over.")
    terminal.press("q")
    assert terminal.end() == 0
    assert sorted((job / "captures").rglob("*.csv")) == before, "nothing is recorded"


def test_without_a_terminal_it_says_what_to_use(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert run(["live", str(job), "--simulate", "--scenario", "clean"]) == 2
    assert "needs a terminal" in capsys.readouterr().err


@pytest.mark.thorough  # drawn in test_pictures too
def test_without_color_there_is_none(terminals: Callable[..., Terminal], job: Path) -> None:
    terminal = terminals("live", str(job), "--port", str(job / "no-port"), NO_COLOR="1")
    terminal.until("Press Enter")
    terminal.press("q")
    assert terminal.end() == 0
    colors = {bytes(code) for code in re.findall(rb"\x1b\[[0-9;]*?(?:38|48);2;(\d+;\d+;\d+)", terminal.out)}
    assert all(len(set(color.split(b";"))) == 1 for color in colors), "shades of gray only"
