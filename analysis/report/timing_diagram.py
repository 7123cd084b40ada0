"""The timing diagram: when each valve is open over the two turns of a cycle, what was measured above what the cam card says."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.base.words import length, value
from analysis.decision.decide import Decision
from analysis.lobe.result import Event, headline, same_lift
from analysis.report.axes import WIDTH, Axes, Line, Plot, Word

HEIGHT = 110.0
# Where the bars of a valve lie: measured, and the cam card's below it.
ROWS = {"exhaust": (3.35, 2.85), "intake": (1.55, 1.05)}
TICKS = ((-270.0, "90"), (-180.0, "BDC"), (-90.0, "90"), (0.0, "TDC"), (90.0, "90"), (180.0, "BDC"), (270.0, "90"))


def timing_diagram(decision: Decision) -> Plot | None:
    """Bars over two turns, gas-exchange TDC in the middle; None without an event."""
    lobes = [(lobe, event) for lobe in decision.measured.lobes if (event := headline(lobe.events)) is not None]
    if not lobes:
        return None
    axes = Axes((-360.0, 360.0), (0.0, 4.4), HEIGHT)
    lines = [Line("center", axes.points((x, x), axes.y)) for x in (-180.0, 0.0, 180.0)]
    words: list[Word] = []
    told: list[str] = []
    for lobe, event in lobes:
        valve, (measured, card) = lobe.valve, ROWS[lobe.valve]
        opens, closes = event.opens.value, event.closes.value
        lines.append(Line(f"bar {valve}", axes.points((opens, closes), (measured, measured))))
        names, lasts = [value(event.opens), value(event.closes)], value(event.duration)
        words += _beside(axes, (opens, closes), measured, names)
        middle = axes.at((opens + closes) / 2, measured)[0]
        words.append(Word(middle, axes.at(0.0, measured + 0.42)[1], f"{valve} {lasts}"))
        told.append(f"The {valve} valve is open from {names[0]} to {names[1]}, {lasts} degrees.")
        for spec in decision.job.specification.of(valve).duration:
            if same_lift(spec, event) and spec.opens is not None and spec.closes is not None:
                lines.append(Line("card", axes.points((spec.opens, spec.closes), (card, card))))
                words.append(Word(axes.at(spec.closes, card)[0] + 4, axes.at(0.0, card)[1] + 3, "cam card", "start"))
    event = lobes[0][1]
    units = decision.job.measure.units
    return Plot(
        "timing",
        f"Timing diagram at {length(event.lift_mm, units)} {units} ({event.at})",
        " ".join(told),
        WIDTH,
        HEIGHT,
        axes.frame,
        "crank degrees, overlap TDC in the middle",
        "",
        axes.x_ticks(TICKS),
        (),
        tuple(lines),
        areas=tuple(_overlap(axes, {lobe.valve: event for lobe, event in lobes})),
        words=tuple(words),
    )


def _beside(axes: Axes, ends: tuple[float, float], row: float, names: list[str]) -> Iterator[Word]:
    """The angles at both ends of a bar."""
    for at, name, anchor, off in zip(ends, names, ("end", "start"), (-4.0, 4.0), strict=True):
        x, y = axes.at(at, row)
        yield Word(x + off, y + 3, name, anchor)


def _overlap(axes: Axes, events: dict[str, Event]) -> Iterator[str]:
    """Where both valves are open."""
    if len(events) == 2 and (low := events["intake"].opens.value) < (high := events["exhaust"].closes.value):
        yield axes.points((low, high, high, low), (axes.y[0], axes.y[0], axes.y[1], axes.y[1]))
