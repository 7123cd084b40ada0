"""The large readings: crank angle with its word, and lift, as lines of block letters that fit the screen."""

from __future__ import annotations

from typing import Final

from acquire.dashboard.bigtext import HEIGHT, big
from acquire.dashboard.panels import angle_words, lift_words
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.text_lines import Line

_SIGNS: Final = 6


def scale_for(width: int, height: int) -> int:
    """1, or 2 where the screen is so large that its letters are small."""
    return 2 if width >= 152 and height >= 44 else 1


def _short(number: str) -> str:
    """At most so many signs as there is room for: the last decimals go, never the sign."""
    return number if len(number) <= _SIGNS else number[:_SIGNS].rstrip(".")


def readout(picture: Snapshot, width: int, scale: int) -> list[Line]:
    """Angle on the left, lift on the right, HEIGHT x `scale` lines and a line of names."""
    number, word = angle_words(picture)
    lift, unit = lift_words(picture)
    angle = big(f"{_short(number):>5} {word:<4}", scale)
    length = big(_short(lift), scale)
    left, right = len(angle[0]), len(length[0])
    gap = max(2, width - left - right - len(unit) - 3)
    bottom = HEIGHT * scale - 1
    lines: list[Line] = [
        ((" crank degrees" + ("" if picture.tdc_known else ", TDC not known yet"), "dim"), *_right(picture, width, unit))
    ]
    lines += [
        ((" " + angle[k], "strong"), (" " * gap, "plain"), (length[k], "strong"), (f" {unit}" if k == bottom else "", "dim"))
        for k in range(HEIGHT * scale)
    ]
    return lines


def _right(picture: Snapshot, width: int, unit: str) -> list[tuple[str, str]]:
    name = "lift from the base circle" if picture.zeroed else "reading of the indicator"
    left = len(" crank degrees" + ("" if picture.tdc_known else ", TDC not known yet"))
    return [(" " * max(1, width - left - len(name) - len(unit) - 2) + name, "dim")]
