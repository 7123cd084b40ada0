"""What one recording holds, as arrays: the frozen shapes that walk from room to room. No I/O, no method beyond a property."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

# Flag bits of firmware-notes/wire-format.md section 2.6 ...
DROPPED = 1
CRANK_SUSPECT = 2
SILENT = (4, 8)  # by channel
LIFT_SUSPECT = (16, 32)  # by channel
BY_TIME = 64
# ... and of firmware-notes/capture-format.md section 1.
STILL = 256


@dataclass(frozen=True)
class Board:
    """What the board's hello said. `steps_mm[c]` is one count of channel c in mm; `boot` is 0 if the board cannot tell one
    start from another.
    """

    cpr: int
    index: bool
    latch: str  # "edge" or "time"
    steps_mm: tuple[float, ...]
    units: tuple[str, ...]  # "mm" or "in", as the channel counts
    name: str = ""
    boot: int = 0
    rate: int = 0
    version: str = "1.0"


@dataclass(frozen=True)
class Identity:
    """Who measured what, as the job says it; empty where it is silent. `camshaft` is the maker's part, `camshaft_serial` this one."""

    customer: str = ""
    operator: str = ""
    engine_number: str = ""
    camshaft: str = ""
    camshaft_serial: str = ""


@dataclass(frozen=True)
class Header:
    """What a capture is of. `channels[c]` is "intake", "exhaust", "piston" or "unknown"; `step` is "stop", "travel" or
    "sweep". `identity` is the job's when it was recorded.
    """

    board: Board
    step: str
    cylinder: int
    channels: tuple[str, ...]
    started: str = ""
    link: str = ""
    software: str = ""
    engine: str = ""
    note: str = ""
    identity: Identity = Identity()


@dataclass(frozen=True)
class Samples:
    """n samples of c indicator channels, in the order they came, all counters unwrapped.

    `time_us`, `crank`, `flags`, `origin`: shape (n,), int64. `age_us`, `lift`: shape (c, n), int64. `time_us` is the board's
    clock at the crank latch; `time_us - age_us[c]` that of indicator c. `crank` and `lift` are counts. `origin` numbers the
    stretches that share one zero of the crank count: it grows by one wherever the board started again, and nothing may be
    compared across it.
    """

    seq: Ints
    time_us: Ints
    crank: Ints
    flags: Ints
    origin: Ints
    age_us: Ints
    lift: Ints

    @property
    def still(self) -> Bools:
        """Where a row was a heartbeat: the crank stood still. Shape (n,)."""
        return np.asarray((self.flags & STILL) != 0)


@dataclass(frozen=True)
class IndexPulses:
    """k index pulses: board clock, crank count and origin as in `Samples`. Shape (k,), int64."""

    time_us: Ints
    crank: Ints
    origin: Ints


@dataclass(frozen=True)
class Fault:
    """A fault frame: the board's word and number, with the unwrapped board clock."""

    time_us: int
    word: str
    number: int


@dataclass(frozen=True)
class Gap:
    """Frames lost and bytes refused before row `row` (0-based; the number of rows if at the end)."""

    row: int
    lost: int
    refused: int


@dataclass(frozen=True)
class Capture:
    """One recording. `complete` only if its closing line is there and agrees; else `missing` says in sentences what is not.
    `altered`: it is not what was recorded.
    """

    header: Header
    samples: Samples
    index: IndexPulses
    faults: tuple[Fault, ...]
    gaps: tuple[Gap, ...]
    marks: tuple[str, ...]
    complete: bool
    missing: tuple[str, ...]
    sha256: str
    path: str = ""
    altered: bool = False
