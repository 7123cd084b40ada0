"""Counters that run over: raw numbers of the wire -> numbers that go on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.base.samples import Ints


@dataclass(frozen=True)
class Carry:
    """What `unwrap` hands from one block to the next: the last number it gave, or None before the first."""

    last: int | None = None


START = Carry()


def unwrap(values: npt.ArrayLike, *, bits: int = 32, carry: Carry = START) -> tuple[Ints, Carry]:
    """Counts of a counter of `bits` bits, signed or not, as numbers that do not run over.

    `values`: integers, shape (n,). Returns int64, shape (n,), and the carry for the next block. Each step is taken as the shorter way
    round, in [-2**(bits-1), 2**(bits-1)), so counters may go down as well. The first number of all is as it came. Where nothing ran
    over, the result may be `values` itself.
    """
    raw = np.asarray(values, dtype=np.int64)
    if not raw.size:
        return raw, carry
    first = int(raw[0]) if carry.last is None else int(near(raw[0], carry.last, bits=bits))
    half = 1 << (bits - 1)
    unwrapped = raw if first == raw[0] else raw + (first - raw[0])
    if int(raw.max()) - int(raw.min()) >= half:  # else no step can be a long one
        step = np.diff(raw)
        turns = (step < -half).astype(np.int8) - (step >= half)
        if turns.any():
            unwrapped = unwrapped + (np.cumsum(np.pad(turns, (1, 0)), dtype=np.int64) << bits)
    return unwrapped, Carry(int(unwrapped[-1]))


def near(values: npt.ArrayLike, reference: npt.ArrayLike, *, bits: int = 32) -> Ints:
    """Counts of a counter of `bits` bits, unwrapped to within half its range of `reference`, which is. int64, shapes broadcast."""
    half = 1 << (bits - 1)
    known = np.asarray(reference, dtype=np.int64)
    return np.asarray(known + ((np.asarray(values, dtype=np.int64) - known + half) & ((1 << bits) - 1)) - half, dtype=np.int64)
