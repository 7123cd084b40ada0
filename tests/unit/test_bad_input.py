"""Wrong ports, wrong boards, wrong files: each ends in one sentence, exit code 2 and no trace; nothing is written or overwritten."""

from __future__ import annotations

import functools
import os
import select
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from acquire.cli import capture, run
from acquire.wire import crc16
from analysis.job.template import template

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the far ends here are pseudo-terminals")

NMEA = b"$GPGLL,4916.45,N,12311.12,W,225444,A*31\r\n"
# What 9600 baud text looks like at another rate: bytes without sense, the eighth bit set here and there.
GARBLE = bytes((37 * i * i + 11 * i + 128) % 256 for i in range(64))


def line(body: str) -> bytes:
    return f"{body}*{crc16(body.encode()):04X}\n".encode()


NEWER = line("H,2.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,boot=57,board=bench-a")


@contextmanager
def far_end(says: bytes) -> Iterator[str]:
    """A port at whose far end something says the same thing over and over. Yields the port's name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    over = threading.Event()

    def talk() -> None:
        while not over.is_set():
            heard, _, _ = select.select([master], [], [], 0.01)
            if heard:
                os.read(master, 4096)
            try:
                os.write(master, says)
            except BlockingIOError:
                continue

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        talker.join()
        os.close(master)
        os.close(slave)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A good job without captures."""
    folder = tmp_path / "job"
    assert run(["new", str(folder)]) == 0
    return folder


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board has three seconds to say hello; here three tenths will do."""
    monkeypatch.setattr(capture, "stream", functools.partial(capture.stream, hello_timeout=0.3))


def sentence(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """Run a command that must fail; its one sentence, without the cautions that come first."""
    capsys.readouterr()
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    said = [text for text in err.splitlines() if not text.startswith(("! ", "Ctrl-C", "waiting"))]
    assert len(said) == 1, err
    return said[0]


def sweep(job: Path, port: str) -> list[str]:
    return ["capture", str(job), "--step", "sweep", "--valve", "intake", "--seconds", "5", "--port", port]


def untouched(job: Path) -> bool:
    return (job / "job.toml").read_text(encoding="utf-8") == template() and not list((job / "captures").iterdir())


def test_a_port_that_is_not_there(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "/dev/no-such-port" in sentence(sweep(job, "/dev/no-such-port"), capsys)
    assert untouched(job)


def test_an_address_that_is_none(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "gopher://" in sentence(sweep(job, "gopher://bench"), capsys)
    assert untouched(job)


def test_a_port_that_another_program_has(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with far_end(b"") as port, serial.Serial(port, exclusive=True):
        said = sentence(sweep(job, port), capsys)
    assert port in said
    assert "program" in said
    assert untouched(job)


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize(
    ("says", "part"),
    [
        pytest.param(NMEA, "not a lobetrace board", id="something else"),
        pytest.param(GARBLE, "baud rate", id="wrong baud"),
        pytest.param(b"", "nothing answered", id="silence"),
        pytest.param(NEWER, "2.0", id="newer format"),
    ],
)
def test_a_board_that_is_not_ours(job: Path, says: bytes, part: str, capsys: pytest.CaptureFixture[str]) -> None:
    with far_end(says) as port:
        said = sentence(sweep(job, port), capsys)
    assert port in said
    assert part in said
    assert untouched(job)


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--step", "sweep"], "--valve"),
        (["--step", "stop", "--valve", "intake"], "--valve"),
        (["--step", "stop"], "lobetrace ports"),
    ],
)
def test_a_capture_that_was_not_thought_through(
    job: Path, arguments: list[str], part: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)  # this machine's own would be asked for a board
    assert part in sentence(["capture", str(job), *arguments], capsys)
    assert untouched(job)


@pytest.mark.parametrize(
    ("content", "part"),
    [
        pytest.param(b"seq,time\n1,2\n", "not a capture", id="foreign"),
        pytest.param(b"\x89PNG\r\n\x1a\n\0\0", "not a capture", id="binary"),
        pytest.param(b"# lobetrace capture 9\n", "format 9", id="newer format"),
        pytest.param(b"", "cut short inside its header", id="empty"),
    ],
)
def test_a_file_that_is_no_capture(job: Path, content: bytes, part: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = job / "captures" / "intake-01.csv"
    file.write_bytes(content)
    assert part in sentence(["analyze", str(job)], capsys)
    assert part in sentence(["analyze", str(job), str(file), "--json"], capsys)
    assert file.read_bytes() == content


def test_nothing_to_analyze(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "no captures" in sentence(["analyze", str(job)], capsys)
    assert "none.csv" in sentence(["analyze", str(job), str(tmp_path / "none.csv")], capsys)
    assert "lobetrace new" in sentence(["analyze", str(tmp_path / "nowhere")], capsys)


@pytest.mark.parametrize("command", [["analyze"], ["capture", "--step", "stop", "--port", "/dev/no-such-port"]])
def test_wrong_units_are_found_before_anything_else(job: Path, command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    file = job / "job.toml"
    text = template().replace("stroke_mm = 86.0", "stroke_mm = 3.5")
    file.write_text(text, encoding="utf-8")
    said = sentence([command[0], str(job), *command[1:]], capsys)
    assert "If it is inches write stroke_in = 3.5" in said
    line = text[: text.index("stroke_mm")].count("\n") + 1
    assert f"{file}, line {line}" in said


def test_the_demo_does_not_overwrite(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "not overwritten" in sentence(["demo", "--folder", str(job)], capsys)
    assert untouched(job)


def test_the_whole_program_ends_without_a_trace(job: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "acquire", *sweep(job, "/dev/no-such-port")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith("/dev/no-such-port: ")
