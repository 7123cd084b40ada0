"""What reads something from outside: each takes damaged bytes, and raises nothing but our own errors."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np

from acquire.wire import Decoder, encode_fault, encode_hello, encode_index, encode_sample
from analysis.base.errors import LobetraceError
from analysis.base.foreign import MOST, shown
from analysis.base.samples import Board
from analysis.capture import parse
from analysis.decision.decide import decide
from analysis.job import parse_job
from analysis.job.template import template
from analysis.report.decision_json import decision_json
from analysis.report.sheet import sheet
from tests.fuzz.damage import damaged, rows_changed

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample-captures" / "clean"


@dataclass(frozen=True)
class Target:
    """`sound`: bytes that are read without an error; `read` takes them spoiled by `spoil`; `cost`: how many cases of the cheapest one
    costs.
    """

    sound: Callable[[], bytes]
    read: Callable[[bytes], object]
    cost: int = 1
    spoil: Callable[[bytes, np.random.Generator], bytes] = damaged


@cache
def _capture(name: str) -> bytes:
    return next((SAMPLE / "captures").glob(f"*{name}*.csv")).read_bytes()


def _short(name: str) -> bytes:
    """The beginning of a capture, so that damage meets the header often."""
    return _capture(name)[:6000]


def _wire(data: bytes) -> None:
    decoder = Decoder()
    for at in range(0, len(data), 97):
        decoder.feed(data[at : at + 97])


@cache
def _frames() -> bytes:
    """What a board sends: a hello, samples, a pulse, a fault."""
    board = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 7)
    lines = [encode_hello(board, 0, 1000)]
    lines += [encode_sample(k, 1000 + 500 * k, k - 40, 0, [30], [k]) for k in range(1, 60)]
    lines += [encode_index(60, 40_000, 12), encode_fault(61, 41_000, "crank-step", 3)]
    return b"".join(lines)


def _job(data: bytes) -> None:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return  # said by load_job, which reads files
    parse_job(text)


def _measured(data: bytes) -> None:
    """A whole job of which one capture is damaged: from the file to the sheet."""
    job = parse_job((SAMPLE / "job.toml").read_text(encoding="utf-8"))
    captures = [parse(_capture("stop"), "1.csv"), parse(data, "2.csv"), parse(_capture("exhaust"), "3.csv")]
    decision = decide(job, captures)
    decision_json(decision)
    sheet(decision.measured, job)


def _stop(data: bytes) -> None:
    """The same with the stop."""
    job = parse_job((SAMPLE / "job.toml").read_text(encoding="utf-8"))
    decide(job, [parse(data, "1.csv"), parse(_capture("intake"), "2.csv")])


def _terminal(data: bytes) -> None:
    said = shown(data.decode("utf-8", "surrogateescape"))
    assert len(said) <= MOST
    assert not {unicodedata.category(character) for character in said} & {"Cc", "Cs"}
    assert not set(said) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


TARGETS: Final[Mapping[str, Target]] = {
    "wire": Target(_frames, _wire, 4),
    "capture": Target(lambda: _short("intake"), lambda data: parse(data, "x.csv"), 2),
    "job.toml": Target(lambda: template().encode(), _job, 8),
    "terminal": Target(lambda: b"launch engine, number 12", _terminal),
    "intake to sheet": Target(lambda: _capture("intake"), _measured, 80),
    "numbers of the intake": Target(lambda: _capture("intake"), _measured, 400, rows_changed),
    "numbers of the stop": Target(lambda: _capture("stop"), _stop, 200, rows_changed),
    "stop to verdict": Target(lambda: _capture("stop"), _stop, 40),
}


def survives(target: Target, data: bytes) -> str:
    """ "read" or "refused"; whatever else is raised is a fault of ours, and goes on."""
    try:
        target.read(data)
    except LobetraceError as refusal:
        said = str(refusal)
    else:
        return "read"
    assert said.strip()
    return "refused"
