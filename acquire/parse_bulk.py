"""All lines of a block at once: the numpy twin of `acquire.parse`, which it asks about every line that is not plain.

Theory of operation
-------------------
Samples and heartbeats are read together. Fields are found by their commas; digits are summed for all fields of a length at once.
The sum is run over all lines together, two bytes a step, longest lines first, so that those still running are always a prefix.
`_usual_lines` says yes or nothing; `parse_line` decides about every other line.
"""

from __future__ import annotations

from binascii import crc_hqx
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from acquire.frames import I32_HIGH, I32_LOW, LONGEST_BODY, U32, Frame, Heartbeat, Hello, Sample
from acquire.parse import parse_line
from analysis.samples import Bools, Ints

_FIELDS: Final = {6: 1, 8: 2}  # numbers of a sample by channels
Bytes = npt.NDArray[np.uint8]
_Shorts = npt.NDArray[np.uint16]

# What a step of one byte, and of two, makes of the register. From the stdlib's own sum, so that there is one definition only.
_ONE: Final[_Shorts] = np.array([crc_hqx(bytes([i]), 0) for i in range(256)], np.uint16)
_TWO: Final[_Shorts] = np.array([crc_hqx(bytes([i >> 8, i & 255]), 0) for i in range(65536)], np.uint16)
_HEX: Final[_Shorts] = np.full(256, 0xFFFF, np.uint16)
_HEX[list(b"0123456789ABCDEF")] = np.arange(16)


class Block(NamedTuple):
    """The lines of a block. `size` counts the line end.

    `channels`: 1 or 2 for a sample or heartbeat, 0 for another numbered frame, -1 for a hello or a refused line.
    `numbers`: shape (8, lines): seq, time, crank, flags, age1, lift1, age2, lift2. `odd`: frames that are no samples, by line.
    """

    size: Ints
    channels: Ints
    still: Bools
    numbers: Ints
    odd: dict[int, Frame]


def parse_block(block: bytes) -> Block:
    """Read a block that ends with a line end. DeviceError if a hello of another major version is in it."""
    raw = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(raw == 10)
    starts = np.concatenate([[0], ends[:-1] + 1])
    channels, numbers = _usual_lines(raw, starts, ends)
    still = raw[starts] == ord("B")
    odd: dict[int, Frame] = {}
    for i in np.flatnonzero(channels < 0).tolist():
        frame = parse_line(block[starts[i] : ends[i]])
        if isinstance(frame, Sample | Heartbeat):
            channels[i] = len(frame.lift)
            readings = [n for pair in zip(frame.age_us, frame.lift, strict=True) for n in pair]
            numbers[: 4 + len(readings), i] = [*frame[:4], *readings]
        elif frame is not None:
            odd[i] = frame
            if not isinstance(frame, Hello):
                channels[i], numbers[0, i] = 0, frame.seq
    return Block(ends - starts + 1, channels, still, numbers, odd)


def _usual_lines(raw: Bytes, starts: Ints, ends: Ints) -> tuple[Ints, Ints]:
    """Channels (-1: no usual line) and numbers of each line that lies from `starts` to its line end at `ends`."""
    channels = np.full(len(starts), -1, np.int64)
    numbers = np.zeros((8, len(starts)), np.int64)
    ends = ends - ((ends > starts) & (raw[ends - 1] == 13))
    stops = ends - 5  # where the asterisk must be
    commas = np.flatnonzero(raw == ord(","))
    first = np.searchsorted(commas, starts)
    count = np.searchsorted(commas, ends) - first
    kind = raw[starts]
    likely = (stops - starts >= 13) & (stops - starts <= LONGEST_BODY) & ((kind == ord("S")) | (kind == ord("B")))
    likely[likely] &= (raw[stops[likely]] == ord("*")) & (raw[starts[likely] + 1] == ord(","))
    for fields, its_channels in _FIELDS.items():
        lines = np.flatnonzero(likely & (count == fields))
        if not len(lines):
            continue
        bounds = np.concatenate([commas[first[lines] + np.arange(fields)[:, None]], stops[None, lines]])
        values, sound = _integers(raw, bounds[:-1] + 1, bounds[1:])
        sound &= _sums_right(raw, starts[lines], stops[lines])
        lines = lines[sound]
        channels[lines] = its_channels
        numbers[:fields, lines] = values[:, sound]
    return channels, numbers


def _integers(raw: Bytes, starts: Ints, stops: Ints) -> tuple[Ints, Bools]:
    """The numbers in the fields from `starts` to `stops`, shape (fields, lines), and which lines are as the format says."""
    # A field may be empty, and then begins at the byte behind it: still inside the block, which ends with sum and line end.
    minus = raw[starts] == ord("-")
    begins = starts + minus
    digits = stops - begins
    sound = (digits >= 1) & (digits <= 10) & ((raw[begins] != ord("0")) | ((digits == 1) & ~minus))
    values = np.zeros(starts.shape, np.int64)
    for length in range(1, 11):
        where = np.nonzero(sound & (digits == length))
        if not len(where[0]):
            continue
        at, value, wrong = begins[where], np.zeros(len(where[0]), np.int64), np.zeros(len(where[0]), np.bool_)
        for i in range(length):
            digit = raw[at + i] - np.uint8(ord("0"))  # below "0" wraps to far above 9
            wrong |= digit > 9
            value *= 10
            value += digit
        values[where] = value
        sound[where] &= ~wrong
    np.negative(values, out=values, where=minus)
    low = np.full((len(starts), 1), I32_LOW)
    high = np.full((len(starts), 1), I32_HIGH)
    low[[0, 1, 3]], high[[0, 1, 3]] = 0, U32  # seq, time and flags
    sound &= (values >= low) & (values <= high)
    return values, np.all(sound, axis=0)


def _sums_right(raw: Bytes, starts: Ints, stops: Ints) -> Bools:
    """For which lines the four digits behind the asterisk at `stops` are the sum of the body from `starts`."""
    order = np.argsort(starts - stops, kind="stable")  # longest first
    starts, stops = starts[order], stops[order]
    pairs = (stops - starts) // 2
    words = np.left_shift(raw[:-1], 8, dtype=np.uint16) | raw[1:]
    sums = np.full(len(starts), 0xFFFF, np.uint16)
    for i in range(int(pairs.max())):
        running = int(np.searchsorted(-pairs, -i))  # lines with more than i pairs
        sums[:running] = _TWO[sums[:running] ^ words[starts[:running] + 2 * i]]
    single = np.flatnonzero((stops - starts) % 2)
    sums[single] = (sums[single] << 8) ^ _ONE[(sums[single] >> 8) ^ raw[stops[single] - 1]]
    digits = _HEX[raw[stops + np.arange(1, 5)[:, None]]]
    right = np.empty(len(starts), np.bool_)
    right[order] = (digits.max(axis=0) < 16) & ((digits[0] << 12 | digits[1] << 8 | digits[2] << 4 | digits[3]) == sums)
    return right
