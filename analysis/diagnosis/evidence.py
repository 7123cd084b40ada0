"""What rules look at: everything that a measurement saw on its way, and how a rule's arguments are found in it.

The reading of measured numbers that rules do is here as well, so that it stands once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.curve.sweep import Sweep
from analysis.job import Job, LobeSpec
from analysis.lobe.measured import MeasuredLobe
from analysis.lobe.result import Event
from analysis.tdc.stop import TdcFound


@dataclass(frozen=True)
class Evidence:
    """What a measurement was made of. `stop` and `travel`: TDC by each way in which it was found; `one_count`: both by one count of
    the board. `moved_deg`: by how much the count moved between TDC and a sweep, for each that it did. `unused`: sweeps that say
    nothing.
    """

    job: Job
    captures: tuple[Capture, ...]
    forward: int
    lobes: tuple[MeasuredLobe, ...]
    stop: TdcFound | None = None
    travel: TdcFound | None = None
    one_count: bool = True
    moved_deg: tuple[float, ...] = ()
    unused: tuple[Sweep, ...] = ()


# What a rule may ask for by the name of its argument. None: there is no such thing here, and the rule is skipped.
Look = Mapping[str, Callable[[Evidence, Any], Any]]
_ONCE: Look = {
    "job": lambda e, _: e.job,
    "rig": lambda e, _: e.job.rig,
    "captures": lambda e, _: e.captures,
    "forward": lambda e, _: e.forward,
    "lobes": lambda e, _: e.lobes or None,
    "stop": lambda e, _: e.stop,
    "travel": lambda e, _: e.travel,
    "one_count": lambda e, _: e.one_count or None,
}
_OF_CAPTURE: Look = {"capture": lambda _, c: c, "name": lambda _, c: PurePath(c.path).name or "a capture"}
_OF_LOBE: Look = {
    "lobe": lambda _, x: x,
    "swept": lambda _, x: x.swept,
    "curve": lambda _, x: x.swept.curve,
    "valve": lambda _, x: x.swept.valve,
    "spec": lambda e, x: spec_of(e.job, x.swept.valve),
}
# What there may be several of: its names, and the things themselves.
_EACH: Sequence[tuple[Look, Callable[[Evidence], Sequence[Any]]]] = (
    (_OF_CAPTURE, lambda e: e.captures),
    (_OF_LOBE, lambda e: e.lobes),
    ({"moved_deg": lambda _, deg: deg}, lambda e: e.moved_deg),
    ({"unused": lambda _, sweep: sweep}, lambda e: e.unused),
)
NAMES = frozenset(_ONCE).union(*(look for look, _ in _EACH))


def arguments(evidence: Evidence, needs: Sequence[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The arguments `needs` of a rule, once for each capture, lobe and so on that it asks for, with the valve of the lobe or "";
    nothing where any is missing.
    """
    for look, things in _EACH:
        if any(name in look for name in needs):
            for thing in things(evidence):
                valve = thing.swept.valve if look is _OF_LOBE else ""
                yield from _whole(valve, {n: (look if n in look else _ONCE)[n](evidence, thing) for n in needs})
            return
    yield from _whole("", {n: _ONCE[n](evidence, None) for n in needs})


def _whole(valve: str, found: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    if all(value is not None for value in found.values()):
        yield valve, found


def spec_of(job: Job, valve: str) -> LobeSpec:
    """What the cam card says of a valve's lobe."""
    return job.specification.exhaust if valve == "exhaust" else job.specification.intake


def centerline_by(lobe: MeasuredLobe, way: str) -> Quantity:
    """The centerline by "equal_lift", "event_midpoint", "centroid" or "peak", crank degrees from overlap TDC."""
    return lobe.quantities[f"centerline by {way}"]


def peak_lift(lobe: MeasuredLobe, at: str) -> tuple[float, float]:
    """Peak lift at the "lobe" or the "valve" and its 95 % expanded uncertainty, mm."""
    number = lobe.lobe.peak_lobe_lift_mm if at == "lobe" else lobe.lobe.peak_lift_mm
    return number.value, number.u95


def events(lobe: MeasuredLobe) -> tuple[Event, ...]:
    """The lobe's events at the job's checking lifts."""
    return lobe.lobe.events


def midpoint(event: Event) -> float:
    """Middle between opening and closing, crank degrees from overlap TDC."""
    return (event.opens_deg.value + event.closes_deg.value) / 2
