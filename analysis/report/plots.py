"""What the sheet's plots show, in plot coordinates: curves, marks and words, ready to be drawn as inline SVG.

Readable in black and white: the intake is a solid line, the exhaust a dashed one, limits are dotted, and every line carries its name.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.base.angles import label
from analysis.base.samples import Floats
from analysis.base.words import MM_PER, Units, length, value
from analysis.decision.clearance import PistonClearance
from analysis.decision.decide import Decision
from analysis.decision.valve_lift import valve_lift
from analysis.lobe.result import Lobe
from analysis.report.axes import WIDTH, Axes, Line, Plot, Readout, Word
from analysis.report.timing_diagram import timing_diagram

VALVES = ("exhaust", "intake")
# A pointer is told the lift at every so many degrees.
READOUT_DEG = 5


def plots(decision: Decision) -> tuple[Plot, ...]:
    """Every plot that the decision has data for."""
    found = [_curves(decision)]
    if (timing := timing_diagram(decision)) is not None:
        found.append(timing)
    if len(decision.measured.lobes) == 2 or decision.clearances:
        found.append(_overlap(decision))
    if decision.clearances:
        found.append(_by_advance(decision))
    return tuple(found)


def _swept(decision: Decision) -> list[str]:
    return [valve for valve in VALVES if decision.measured.lobe(valve)]


def _lobe(decision: Decision, valve: str) -> Lobe:
    return decision.measured.intake if valve == "intake" else decision.measured.exhaust


def _lifts(decision: Decision, valve: str, deg: Floats) -> Floats:
    return valve_lift(_lobe(decision, valve), decision.job.rig, deg) / MM_PER[decision.job.measure.units]


def _to(mm: float, units: Units) -> str:
    """A length for a picture: two decimals of a millimetre, three of an inch."""
    return f"{mm / MM_PER[units]:.{2 if units == 'mm' else 3}f}"


def _step(span: float, units: Units) -> float:
    """A round distance between ticks that makes three to six of them."""
    least = span / 6
    steps = (0.5, 1.0, 2.0, 5.0, 10.0) if units == "mm" else (0.02, 0.05, 0.1, 0.2, 0.5)
    return next((step for step in steps if step >= least), steps[-1])


def _curves(decision: Decision) -> Plot:
    """Lift of both valves over the part of the cycle in which they are open."""
    units = decision.job.measure.units
    valves = _swept(decision)
    deg = np.arange(-290.0, 290.5, 1.0)
    lifts = {valve: _lifts(decision, valve, deg) for valve in valves}
    peak = max(float(each.max()) for each in lifts.values())
    axes = Axes((-290.0, 290.0), (0.0, 1.16 * peak), 110.0)
    lines = [Line("center", axes.points((x, x), axes.y)) for x in (-180.0, 0.0, 180.0)]
    words, told = [], []
    dots: list[Readout] = []
    readouts: list[Readout] = []
    for valve in valves:
        open_ = lifts[valve] > 0
        first, last = int(np.argmax(open_)), open_.size - int(np.argmax(open_[::-1]))
        span = slice(max(first - 1, 0), last + 1)
        lines.append(Line(valve, axes.points(deg[span], lifts[valve][span])))
        lobe = _lobe(decision, valve)
        center, full = value(lobe.centerline), value(lobe.peak_lift, units)
        x, y = axes.at(lobe.centerline.value, float(lifts[valve].max()))
        # The two names lean apart, so that they do not meet over TDC.
        lean, anchor = (45.0, "end") if valve == "exhaust" else (-45.0, "start")
        words.append(Word(x + lean, y - 5, f"{valve} {full} {units}, {center}", anchor))
        told.append(f"The {valve} valve opens by {full} {units}; its centerline is {center}.")
        dots += _event_dots(axes, decision, lobe)
        readouts += _readouts(axes, valve, deg[span], lifts[valve][span], units)
    ticks = [(-180.0, "BDC"), (0.0, "TDC"), (180.0, "BDC"), (-270.0, "90"), (-90.0, "90"), (90.0, "90"), (270.0, "90")]
    return Plot(
        "lift",
        "Valve lift over crank angle",
        " ".join(told),
        WIDTH,
        axes.height,
        axes.frame,
        "crank degrees",
        f"valve lift, {units}",
        axes.x_ticks(ticks),
        axes.y_ticks(_step(1.16 * peak, units)),
        tuple(lines),
        dots=tuple(dots),
        readouts=tuple(readouts),
        words=tuple(words),
    )


def _event_dots(axes: Axes, decision: Decision, lobe: Lobe) -> Iterator[Readout]:
    """Every event, on its curve."""
    units = decision.job.measure.units
    for event in lobe.events:
        for word, at in (("opens", event.opens), ("closes", event.closes)):
            x, y = axes.at(at.value, float(_lifts(decision, lobe.valve, np.array([at.value]))[0]))
            told = f"{lobe.valve} {word} {value(at)} at {length(event.lift_mm, units)} {units}, {event.at}"
            yield Readout(x, y, told)


def _readouts(axes: Axes, valve: str, deg: Floats, lifts: Floats, units: Units) -> Iterator[Readout]:
    """The lift every few degrees, for whoever points at the curve."""
    for at, lift in zip(deg[::READOUT_DEG], lifts[::READOUT_DEG], strict=True):
        x, y = axes.at(float(at), float(lift))
        yield Readout(
            x, y, f"{valve}, {label(float(at), f'{valve} centerline', 0)}: {lift:.{2 if units == 'mm' else 3}f} {units}"
        )


def _overlap(decision: Decision) -> Plot:
    """Both valves around overlap TDC, and where the piston would stand on each valve's axis."""
    units = decision.job.measure.units
    scale = MM_PER[units]
    deg = np.arange(-45.0, 45.25, 0.5)
    valves = _swept(decision)
    lifts = {valve: _lifts(decision, valve, deg) for valve in valves}
    piston = {c.valve: (c.gap.closed.value + c.gap.piston(deg)) / scale for c in decision.clearances}
    top = max([float(each.max()) for each in lifts.values()] + [float(each.min()) * 2.0 for each in piston.values()])
    axes = Axes((-45.0, 45.0), (0.0, max(1.1 * top, 1.0 / scale)), 106.0)
    lines = [Line("center", axes.points((0.0, 0.0), axes.y))]
    words: list[Word] = []
    for valve in valves:
        lines.append(Line(valve, axes.points(deg, lifts[valve])))
        at = 42.0 if valve == "intake" else -42.0
        x, y = axes.at(at, float(np.interp(at, deg, lifts[valve])))
        words.append(Word(x, max(y - 5, axes.frame[1] + 8), valve, "end" if valve == "intake" else "start"))
    for clearance in decision.clearances:
        shown = piston[clearance.valve] <= axes.y[1]
        lines.append(Line("piston", axes.points(deg[shown], piston[clearance.valve][shown])))
        lines.append(_gap_line(axes, clearance, scale))
        words.append(_gap_word(axes, clearance, units))
    words += _piston_words(axes, decision.clearances)
    areas = []
    if len(valves) == 2:
        lower = np.minimum(lifts["intake"], lifts["exhaust"])
        areas.append(axes.points([*deg, deg[-1], deg[0]], [*lower, 0.0, 0.0]))
    told = "Both valves around overlap top dead center."
    told += "".join(
        f" The piston comes within {value(c.least, units)} {units} of the {c.valve} valve at {label(c.at_deg, 'overlap', 0)}."
        for c in decision.clearances
    )
    ticks = [
        (x, label(x, "overlap", 0).replace(" ATDC", "").replace(" BTDC", "").replace("0 TDC", "TDC")) for x in range(-40, 41, 20)
    ]
    return Plot(
        "overlap",
        "Overlap" if not decision.clearances else "Overlap and piston",
        told,
        WIDTH,
        axes.height,
        axes.frame,
        "crank degrees before and after TDC",
        f"along the valve, {units}",
        axes.x_ticks(ticks),
        axes.y_ticks(_step(axes.y[1], units)),
        tuple(lines),
        tuple(areas),
        words=tuple(words),
    )


def _gap_line(axes: Axes, clearance: PistonClearance, scale: float) -> Line:
    at = clearance.at_deg
    upper = (clearance.gap.closed.value + float(clearance.gap.piston(at))) / scale
    return Line("gap", axes.points((at, at), (upper - clearance.least.value / scale, upper)))


def _gap_word(axes: Axes, clearance: PistonClearance, units: Units) -> Word:
    scale, at = MM_PER[units], clearance.at_deg
    upper = (clearance.gap.closed.value + float(clearance.gap.piston(at))) / scale
    x, y = axes.at(at, max(upper - clearance.least.value / scale / 2, 0.0))
    anchor, off = ("start", 4.0) if clearance.valve == "intake" else ("end", -4.0)
    return Word(x + off, y + 3, value(clearance.least, units), anchor, "gap")


def _piston_words(axes: Axes, clearances: tuple[PistonClearance, ...]) -> list[Word]:
    """Which curve is the piston under which valve, at the top, where the curves stand wide open."""
    ordered = sorted(clearances, key=lambda c: -c.gap.closed.value)
    place = ("upper", "lower") if len(ordered) == 2 else ("",)
    x, y = axes.at(0.0, axes.y[1])[0], axes.frame[1] + 8
    return [
        Word(x, y + 9 * k, f"{where} piston line: {c.valve}".strip())
        for k, (c, where) in enumerate(zip(ordered, place, strict=False))
    ]


def _by_advance(decision: Decision) -> Plot:
    """The least gap of each valve over the camshaft's advance, with its limit."""
    units = decision.job.measure.units
    scale, clearances = MM_PER[units], decision.clearances
    top = max(max(float(c.least_mm.max()), c.limit_mm) for c in clearances) / scale
    advance = clearances[0].advance_deg
    axes = Axes((float(advance[0]), float(advance[-1])), (0.0, 1.12 * top), 106.0)
    lines, words, told = [Line("center", axes.points((0.0, 0.0), axes.y))], [Word(*_above(axes, 0.0), "now")], []
    named: list[Word] = []
    change = {c.valve: decision.correction.advance_of(c.valve) for c in clearances} if decision.correction else {}
    for by in sorted({by for by in change.values() if by and axes.x[0] < by < axes.x[1]}):
        lines.append(Line("change", axes.points((by, by), axes.y)))
        words.append(Word(*_above(axes, by), "after"))
    for clearance in clearances:
        lines.append(Line(clearance.valve, axes.points(advance, clearance.least_mm / scale)))
        limit = clearance.limit_mm / scale
        lines.append(Line("limit", axes.points(axes.x, (limit, limit))))
        left = clearance.valve == "intake"
        edge = axes.x[0] if left else axes.x[1]
        x, y = axes.at(edge, float(clearance.least_mm[0 if left else -1]) / scale)
        words.append(Word(x + (4 if left else -4), y - 4, clearance.valve, "start" if left else "end"))
        named.append(_limit_word(axes, clearance.valve, limit, [c.least_mm / scale for c in clearances], named))
        told.append(
            f"{clearance.valve}: {_to(float(clearance.least_mm[0]), units)} {units} at {-advance[0]:g} degrees of retard, "
            f"{value(clearance.least, units)} now, {_to(float(clearance.least_mm[-1]), units)} at {advance[-1]:g} of advance."
        )
    ticks = [(x, f"{x:+g}" if x else "0") for x in range(-12, 13, 4)]
    return Plot(
        "advance",
        "Piston to valve over the camshaft's advance",
        " ".join(told),
        WIDTH,
        axes.height,
        axes.frame,
        "crank degrees of retard (-) and advance (+) from now",
        f"least gap, {units}",
        axes.x_ticks(ticks),
        axes.y_ticks(_step(1.12 * top, units)),
        tuple(lines),
        words=(*words, *named),
    )


def _limit_word(axes: Axes, valve: str, limit: float, curves: list[Floats], named: list[Word]) -> Word:
    """The name of a limit, above or below its line at the end of it that the curves and names already there leave free."""
    places = []
    for end, edge, anchor in ((0, axes.x[0], "start"), (-1, axes.x[1], "end")):
        x, y = axes.at(edge, limit)
        for off in (-3.0, 8.0):
            free = min(abs(axes.at(edge, float(curve[end]))[1] - (y + off - 2.5)) for curve in curves)
            free = min([free, *(abs(word.y - (y + off)) for word in named if word.anchor == anchor)])
            places.append((free, Word(x + (3.0 if anchor == "start" else -3.0), y + off, f"limit {valve}", anchor, "limit")))
    return max(places, key=lambda place: place[0])[1]


def _above(axes: Axes, x: float) -> tuple[float, float]:
    across, _ = axes.at(x, axes.y[1])
    return across, axes.frame[1] - 2
