"""Numbers as people read them, in one way on every sheet, screen and page: to their uncertainty and no finer than anybody sets, in
the job's units, and an angle as degrees before or after something, never with a minus.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Literal

from analysis.base.angles import label
from analysis.base.errors import DataError

if TYPE_CHECKING:
    from analysis.base.quantity import Quantity

Units = Literal["mm", "in"]
MM_PER: Final = {"mm": 1.0, "in": 25.4}
# As fine as anybody sets: an angle to a hundredth, a length to a thousandth of a millimetre. What is not here has no such end.
_FINEST: Final = {"deg": 2, "cam deg": 2, "count": 2, "ms": 2, "mm": 3, "in": 4}
# How a unit is written behind its number.
_WRITTEN: Final = {"count": "counts"}
# What is given may be written with fewer decimals than these, never with more.
_LEAST: Final = {"mm": 2, "in": 3}
_LENGTH: Final = re.compile(r"([+-]?[\d.]+(?: \+/-[\d.]+)?) mm\b")


def decimals(u95: float) -> int:
    """Decimals that show `u95` to two significant digits (JCGM 100:2008, 7.2.6): 0.12 -> 2, 3.4 -> 1, 56 -> 0; at most 5.

    An uncertainty of 0 (a value that was given) or none at all shows three decimals.
    """
    if not math.isfinite(u95) or u95 <= 0:
        return 3
    places = 1 - math.floor(math.log10(u95))
    # What rounds up to the next power of ten has a digit to spare: 0.0996 reads 0.10.
    places -= round(u95, places) >= 10.0 ** (2 - places)
    return min(max(places, 0), 5)


def fine(u95: float, unit: str) -> int:
    """Decimals for an uncertainty in a unit: no finer than anybody sets, but so that the uncertainty shows at all."""
    full = decimals(u95)
    return min(full, max(_FINEST.get(unit, full), full - 1))


def value(q: Quantity, units: Units = "mm") -> str:
    """The value alone, to its uncertainty: "17.02 BTDC", "186.98", "7.609"."""
    scale, places = _scale(q, units), _places(q, units)
    if q.place:
        return label(q.value, q.place, places)
    return f"{round(q.value / scale, places) + 0.0:.{places}f}"


def plus_minus(q: Quantity, units: Units = "mm") -> str:
    """The value and its 95 % expanded uncertainty, without the unit: "17.02 BTDC +/-0.12", "7.609 +/-0.006"."""
    return f"{value(q, units)} +/-{q.u95 / _scale(q, units):.{_places(q, units)}f}"


def with_unit(q: Quantity, units: Units = "mm") -> str:
    """The same with the unit, where the value does not say it by itself: "7.609 +/-0.006 mm", "17.02 BTDC +/-0.12"."""
    unit = "" if q.place else q.unit.replace("mm", units)
    return f"{plus_minus(q, units)} {_WRITTEN.get(unit, unit)}".rstrip()


def signed(q: Quantity, units: Units = "mm") -> str:
    """A difference with its sign, to its uncertainty: "+0.21", "-0.09", "0.00"."""
    places = _places(q, units)
    off = round(q.value / _scale(q, units), places)
    return f"{off:+.{places}f}" if off else f"{0.0:.{places}f}"


def overlap(q: Quantity) -> str:
    """For how many degrees both valves are open, or closed, at a checking lift."""
    return plus_minus(q) if q.value >= 0 else f"none; both closed for {plus_minus(-q)}"


def length(mm: float, units: Units) -> str:
    """A length that is given, no finer than anybody sets: at least two decimals of a millimetre, three of an inch, no zero more."""
    whole, _, fraction = f"{mm / MM_PER[units]:.{_FINEST[units]}f}".partition(".")
    return f"{whole}.{fraction.rstrip('0'):0<{_LEAST[units]}}"


def reading(mm: float, units: Units) -> str:
    """What an indicator reads, with all its decimals, so that the digits stand still: "7.600", "0.2992"."""
    return f"{mm / MM_PER[units] + 0.0:.{_FINEST[units]}f}"


def sentence_in(text: str, units: Units) -> str:
    """A sentence of ours in the job's units: rules and refusals write their lengths in millimeters, and this is where "0.13 mm"
    becomes "0.005 in", with a decimal more, or as many as it takes to show.
    """
    return text if units == "mm" else _LENGTH.sub(lambda found: re.sub(r"[\d.]+", _inches, found[1]) + " in", text)


@contextmanager
def said_in(units: Units) -> Iterator[None]:
    """A DataError from within says its lengths in the job's units."""
    try:
        yield
    except DataError as error:
        raise DataError(sentence_in(error.what, units), where=error.where, do=sentence_in(error.do, units)) from None


def _inches(mm: re.Match[str]) -> str:
    inches = float(mm[0]) / MM_PER["in"]
    shows = -math.floor(math.log10(inches)) if inches else 0
    return f"{inches:.{max(len(mm[0].partition('.')[2]) + 1, min(shows, 5))}f}"


def in_units(name: str, units: Units, unit: str = "") -> str:
    """The name of a number in the job's units: its checking lift, which the name has in millimeters, as in "opens 0.050"; and where
    the number is a length by its own `unit`, those units, as in "peak lift, in".
    """
    kind, _, mm = name.rpartition(" ")
    said = f"{kind} {length(float(mm), units)}" if mm.replace(".", "", 1).isdecimal() else name
    return f"{said}, {units}" if unit == "mm" else said


def angle(deg: float, place: str = "") -> str:
    """An angle that is given, with the decimals that it was written with, at most two: "17 BTDC", "187.5"."""
    places = next((k for k in (0, 1) if abs(round(deg, k) - deg) < 1e-9), 2)
    return label(deg, place, places) if place else f"{deg:.{places}f}"


def one_sign(text: str) -> str:
    """A text with the plus-minus sign where pages and screens have one."""
    return text.replace("+/-", "±")


def wrapped(text: str, width: int, first: str = "  ", rest: str = "  ") -> list[str]:
    """Lines of at most `width` columns, the first and the others behind their own indents."""
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _scale(q: Quantity, units: Units) -> float:
    return MM_PER[units] if q.unit.startswith("mm") else 1.0


def _places(q: Quantity, units: Units) -> int:
    return fine(q.u95 / _scale(q, units), units if q.unit == "mm" else q.unit)
