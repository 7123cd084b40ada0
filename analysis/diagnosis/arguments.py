"""What a rule may ask for by the names of its arguments, and where it is found."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from analysis.base.samples import Capture
from analysis.curve.sweep_selection import left_out
from analysis.job import Job
from analysis.lobe.result import Measurement


@dataclass(frozen=True)
class Given:
    """All that rules look at. `measured`: None where there is no number, so that only the captures can be looked at."""

    job: Job
    captures: tuple[Capture, ...]
    measured: Measurement | None

    @property
    def found(self) -> Measurement:
        """The measurement, for rules that are asked only where there is one (`OF_FILES`)."""
        assert self.measured is not None
        return self.measured


# By name; None: there is no such thing here, and the rule is skipped.
_Names = Mapping[str, Callable[[Given, Any], Any]]
_ONCE: _Names = {
    "job": lambda given, _: given.job,
    "rig": lambda given, _: given.job.rig,
    "units": lambda given, _: given.job.measure.units,
    "captures": lambda given, _: given.captures,
    "found": lambda given, _: given.found,
    "forward": lambda given, _: given.found.evidence.forward,
    "stop": lambda given, _: given.found.evidence.stop,
    "travel": lambda given, _: given.found.evidence.travel,
    "travel_too": lambda given, _: given.found.evidence.travel if given.found.evidence.one_count else None,
    "sweeps": lambda given, _: given.found.evidence.sweeps or None,
    "seen": lambda given, _: given.found.evidence.seen or None,
    "checked_again": lambda given, _: given.found.evidence.checked_again,
}
_OF_CAPTURE: _Names = {"capture": lambda _, c: c, "name": lambda _, c: PurePath(c.path).name or "a capture"}
_OF_LOBE: _Names = {
    "lobe": lambda _, x: x,
    "swept": lambda _, x: x.swept,
    "curve": lambda _, x: x.swept.curve,
    "valve": lambda _, x: x.valve,
    "spec": lambda given, x: given.job.specification.of(x.valve),
}
# What there may be several of: its names, and the things themselves. A rule is asked about each of them.
_EACH: Sequence[tuple[_Names, Callable[[Given], Sequence[Any]]]] = (
    (_OF_CAPTURE, lambda given: given.captures),
    (_OF_LOBE, lambda given: given.found.lobes),
    ({"moved_deg": lambda _, deg: deg}, lambda given: given.found.evidence.moved_deg),
    ({"unused": lambda _, sweep: sweep}, lambda given: _unused(given.found)),
    ({"refused": lambda _, refused: refused}, lambda given: given.found.refused),
)
# What can be asked for without a measurement.
OF_FILES = frozenset({"job", "rig", "units", "captures", *_OF_CAPTURE})
NAMES = frozenset(_ONCE).union(*(names for names, _ in _EACH))


def arguments(given: Given, needs: Sequence[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The arguments `needs` of a rule, once for each capture, lobe and so on that it asks for, with the valve of the lobe or "";
    nothing where any is missing.
    """
    for names, things in _EACH:
        if any(name in names for name in needs):
            for thing in things(given):
                valve = thing.valve if names is _OF_LOBE else ""
                yield from _whole(valve, {n: (names if n in names else _ONCE)[n](given, thing) for n in needs})
            return
    yield from _whole("", {n: _ONCE[n](given, None) for n in needs})


def _whole(valve: str, values: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    if all(value is not None for value in values.values()):
        yield valve, values


def _unused(found: Measurement) -> Sequence[Any]:
    """Sweeps of a valve that was not measured, because in none of them the crank was turned forward."""
    measured = [valve for lobe in found.lobes for valve in (lobe.valve, lobe.swept.sweep.stood_on)]
    return left_out(found.evidence.sweeps, measured)
