"""The live trace and the coverage of the cycle as lines of text: pure functions of a snapshot and a size."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from acquire.dashboard import braille
from acquire.dashboard.snapshot import Curve, Snapshot
from acquire.dashboard.text_lines import Line
from acquire.procedure.steps import COVERED_DEG
from analysis.base.angles import label
from analysis.base.samples import Bools, Floats
from analysis.live.trace import CELLS

_GUTTER: Final = 7
AXIS: Final = ((-360, "TDC"), (-180, "BDC"), (0, "overlap TDC"), (180, "BDC"), (360, "TDC"))
_TEXT: Final = 42  # columns right of the coverage bar


class Drawn(NamedTuple):
    """Lift in mm by cells of half a crank degree, NaN where nothing was seen, and the least and the most on the picture."""

    low: Floats
    high: Floats
    bottom: float
    top: float


def trace(picture: Snapshot, width: int, height: int) -> list[Line]:
    """The lift curve of the forward passes, the specification's events as diamonds, the crank as an upright line, and the axis."""
    curve = picture.curve
    wide, high = width - _GUTTER - 1, height - 1
    if curve is None or wide < 10 or high < 2:
        return []
    if not picture.has_readings:  # no reading, no scale
        return [*[()] * high, _axis(picture, wide)]
    units = picture.job.measure.units
    low, upper, bottom, top = drawn(curve, units)
    rows = braille.rows(low, upper, wide, high, bottom, top)
    over: dict[tuple[int, int], tuple[str, str]] = {}
    if picture.cursor is not None:
        x = _column(picture.cursor, wide)
        over |= {(y, x): ("│", "cursor") for y in range(high)}
    for deg, mm in curve.marks:
        y = high - 1 - int((mm - bottom) / (top - bottom) * high)
        over[min(max(y, 0), high - 1), _column(deg, wide)] = ("◆", "mark")
    scale = 25.4 if units == "in" else 1.0
    labels = {0: f"{top / scale:.{2 if units == 'in' else 0}f} {units}", min(high - 1, int(high * top / (top - bottom))): "0"}
    lines: list[Line] = []
    for y, row in enumerate(rows):
        lines.append(
            ((f"{labels.get(y, ''):>{_GUTTER - 1}} ", "dim"), *_overlaid(row, {x: o for (v, x), o in over.items() if v == y}))
        )
    lines.append(_axis(picture, wide))
    return lines


def drawn(curve: Curve, units: str) -> Drawn:
    """The curve in the order of crank degrees from -360 on, from the base circle if that is known, and what its picture spans: to a
    round length in `units`.
    """
    zero = curve.trace.zero_mm if math.isfinite(curve.trace.zero_mm) else _least(curve.trace.low)
    least, most = min(0.0, _least(curve.trace.low) - zero), _most(curve) - zero
    bottom, top = (math.floor(least * 2) / 2 if least < -0.3 else -0.15), _rounded_up(max(most, 1.0) + 0.2, units)
    low, high = (turned(cells, curve.shift) - zero for cells in (curve.trace.low, curve.trace.high))
    return Drawn(low, high, bottom, top)


def coverage(picture: Snapshot, width: int) -> list[Line]:
    """How much of the 720 degrees has been seen in forward motion, and what is still missing, from overlap TDC."""
    curve = picture.curve
    if curve is None:
        return []
    wide = max(10, width - _GUTTER - _TEXT)
    seen = turned(np.repeat(curve.trace.covered, 2).astype(np.float64), curve.shift)
    share = np.add.reduceat(seen, np.arange(wide) * CELLS // wide) / np.diff(np.append(np.arange(wide) * CELLS // wide, CELLS))
    bar = "".join("█" if part >= 0.999 else "▒" if part > 0 else "·" for part in share.tolist())
    done = int(picture.counts.covered_deg)
    text = f" {done}/720 deg {_missing(seen > 0.5, picture.tdc_known)}"
    return [((f"{'seen':>{_GUTTER - 1}} ", "dim"), (bar, "good" if done >= COVERED_DEG else "accent"), (text, "plain"))]


def turned(cells: Floats, shift: float) -> Floats:
    """Cells of the cycle in the order of crank degrees from -360 on, where `shift` degrees are added to a cell's angle."""
    return np.roll(cells, -(round((-360.0 - shift) * 2) % CELLS))


def _missing(seen: Bools, known: bool) -> str:
    if seen.all():
        return "all seen"
    if not seen.any():
        return "nothing seen yet"
    edges = np.flatnonzero(np.diff(np.concatenate(([True], seen, [True])).astype(np.int8)))
    holes = [(start / 2 - 360, stop / 2 - 360) for start, stop in zip(edges[::2], edges[1::2], strict=True)]
    if not known:
        return f"{len(holes)} gaps" if len(holes) > 1 else "one gap"
    low, high = max(holes, key=lambda hole: hole[1] - hole[0])
    more = f" +{len(holes) - 1}" if len(holes) > 1 else ""
    return f"missing {_edge(low)}..{_edge(high)}{more}"


def _edge(deg: float) -> str:
    """Where a hole begins or ends; the ends of the axis are firing TDC."""
    return "TDC" if abs(deg) == 360.0 else label(deg, "overlap", 0)


def _rounded_up(mm: float, units: str) -> float:
    """A length in mm that is a round one in the units of the job: the label of the axis."""
    step = 0.05 * 25.4 if units == "in" else 1.0
    return math.ceil(mm / step) * step


def _least(low: Floats) -> float:
    seen = low[~np.isnan(low)]
    return float(seen.min()) if seen.size else 0.0


def _most(curve: Curve) -> float:
    seen = curve.trace.high[~np.isnan(curve.trace.high)]
    return float(seen.max()) if seen.size else 1.0


def _column(deg: float, wide: int) -> int:
    return min(max(int((deg + 360.0) / 720.0 * wide), 0), wide - 1)


def _overlaid(row: str, over: dict[int, tuple[str, str]]) -> list[tuple[str, str]]:
    pieces, at = [], 0
    for x in sorted(over):
        pieces += [(row[at:x], "trace"), over[x]]
        at = x + 1
    return [(text, role) for text, role in [*pieces, (row[at:], "trace")] if text]


def _axis(picture: Snapshot, wide: int) -> Line:
    text = [" "] * (wide + 12)
    if picture.tdc_known:
        for deg, word in AXIS:
            x = _column(deg, wide)
            start = max(0, min(x - len(word) // 2, wide - len(word)))
            text[start : start + len(word)] = word
    else:
        text[: len("one turn of the camshaft")] = "one turn of the camshaft"
    line = "".join(text)[:wide]
    if picture.cursor is None:
        return ((" " * _GUTTER + line, "dim"),)
    x = _column(picture.cursor, wide)
    return ((" " * _GUTTER + line[:x], "dim"), ("▲", "cursor"), (line[x + 1 :], "dim"))
