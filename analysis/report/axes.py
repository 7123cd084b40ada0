"""The shapes that a plot is made of, and the way from quantities to places in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

WIDTH = 340.0  # px; the height is each plot's own
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 8.0, 10.0, 26.0


@dataclass(frozen=True)
class Line:
    """A polyline: `style` is "intake", "exhaust", "piston", "limit", "center", "change" or "gap"; `points` as SVG writes them."""

    style: str
    points: str


@dataclass(frozen=True)
class Word:
    """A text at a place: `anchor` is "start", "middle" or "end"."""

    x: float
    y: float
    text: str
    anchor: str = "middle"
    style: str = ""


@dataclass(frozen=True)
class Readout:
    """A place at which a pointer is told a value."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Plot:
    """One plot. `title` and `text` are what a reader who cannot see it is told."""

    name: str
    title: str
    text: str
    width: float
    height: float
    frame: tuple[float, float, float, float]  # left, top, right, bottom
    x_label: str
    y_label: str
    x_ticks: tuple[Word, ...] = ()
    y_ticks: tuple[Word, ...] = ()
    lines: tuple[Line, ...] = ()
    areas: tuple[str, ...] = ()
    dots: tuple[Readout, ...] = ()
    readouts: tuple[Readout, ...] = ()
    words: tuple[Word, ...] = field(default=())


class Axes:
    """From quantities to places in a plot of a given height."""

    def __init__(self, x: tuple[float, float], y: tuple[float, float], height: float) -> None:
        self.x, self.y, self.height = x, y, height
        self.frame = (_LEFT, _TOP, WIDTH - _RIGHT, height - _BOTTOM)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point lies."""
        left, top, right, bottom = self.frame
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        return round(left + across * (right - left), 1), round(bottom - up * (bottom - top), 1)

    def points(self, xs: Iterable[float], ys: Iterable[float]) -> str:
        """A polyline's points, cut off at the frame's lower and upper edge."""
        low, high = self.y
        return " ".join("{},{}".format(*self.at(x, min(max(y, low), high))) for x, y in zip(xs, ys, strict=True))

    def x_ticks(self, ticks: Iterable[tuple[float, str]]) -> tuple[Word, ...]:
        """Words below the frame."""
        return tuple(Word(self.at(x, self.y[0])[0], self.frame[3], text) for x, text in ticks)

    def y_ticks(self, step: float) -> tuple[Word, ...]:
        """Numbers left of the frame."""
        values = np.arange(np.ceil(self.y[0] / step - 1e-9) * step, self.y[1] + 1e-9, step)
        return tuple(Word(self.frame[0], self.at(self.x[0], v)[1], f"{v + 0.0:g}", "end") for v in values.round(6).tolist())
