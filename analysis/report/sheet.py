"""The sheet: everything a result says, in plain text of at most 80 columns, for the customer's folder and for the bench."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from analysis.base.angles import Happening, label
from analysis.base.foreign import shown
from analysis.base.quantity import Number
from analysis.base.safety import cautions
from analysis.base.words import MM_PER, Units, angle, decimals, length, lift, plus_minus
from analysis.job import DurationSpec, Job, LobeSpec
from analysis.lobe.result import AtRest, Cam, Event, Lobe, Result, Tdc, same_lift

WIDTH = 80
_BY = {
    "equal_lift": "equal lifts both sides",
    "event_midpoint": "middle of the events",
    "centroid": "centroid of the area",
    "peak": "angle of peak lift",
}
_FOUND = {
    "stop": "from {} contacts with the piston stop",
    "travel": "from the travel of the piston",
    "given": "as given in the job",
}
_EVENTS: dict[str, tuple[Happening, Happening]] = {
    "intake": ("intake opens", "intake closes"),
    "exhaust": ("exhaust opens", "exhaust closes"),
}
_CENTERLINE: dict[str, Happening] = {"intake": "intake centerline", "exhaust": "exhaust centerline"}


def sheet(result: Result, job: Job) -> str:
    """The whole sheet, ending in a newline. Angles in crank degrees, lengths in the job's units, each to its 95 % uncertainty."""
    blocks = [_head(job), _tdc(result.tdc)]
    blocks += [_lobe(lobe, job) for lobe in result.lobes]
    if result.cam:
        blocks.append(_cam(result.cam, job))
    if result.warnings:
        blocks.append(["WARNINGS", *_items(f"{caution.text} [{caution.code}]" for caution in result.warnings)])
    blocks.append(["CAUTIONS", *_items(cautions())])
    blocks.append(["CAPTURES", *_captures(result.captures)])
    return "\n\n".join("\n".join(line.rstrip() for line in block) for block in blocks) + "\n"


def _head(job: Job) -> list[str]:
    engine, rig, units = job.engine, job.rig, job.measure.units
    crank = (
        f"bore {lift(engine.bore_mm, units)}, stroke {lift(engine.stroke_mm, units)}, rod {lift(engine.rod_mm, units)} {units}"
    )
    offset = f", pin offset {lift(engine.pin_offset_mm, units)} {units}" if engine.pin_offset_mm else ""
    return [
        "CAMSHAFT SHEET",
        *_wrapped(f"{shown(engine.name) or 'engine without a name'}, cylinder {job.measure.cylinder} of {engine.cylinders}"),
        *_wrapped(crank + offset),
        *_wrapped(
            f"indicator at the {rig.indicator_at}, rocker ratio {rig.rocker_ratio:g}{_within(f'{rig.rocker_ratio_error:g}')}, "
            f"lash {lift(rig.lash_mm, units)}{_within(lift(rig.lash_error_mm, units))} {units}"
        ),
        "  crank degrees; +/- is the 95 % expanded uncertainty",
    ]


def _within(error: str) -> str:
    """How far a stated number may be off, unless it is taken as exact."""
    return f" within {error}" if float(error) else ""


def _tdc(tdc: Tdc) -> list[str]:
    return [
        "TOP DEAD CENTER",
        f"  encoder count {plus_minus(tdc.count)}, {_FOUND.get(tdc.method, tdc.method).format(tdc.touches)}",
    ]


def _lobe(lobe: Lobe, job: Job) -> list[str]:
    units = job.measure.units
    spec: LobeSpec = job.specification.intake if lobe.valve == "intake" else job.specification.exhaust
    durations: tuple[DurationSpec, ...] = getattr(spec, "duration", ())
    passes = "1 pass" if lobe.passes == 1 else f"{lobe.passes} passes"
    lines = [f"{lobe.valve.upper()} LOBE, cylinder {lobe.cylinder}, {passes}", _row(units, "at", "opens", "closes", "duration")]
    for event in lobe.events:
        lines += _event(event, lobe.valve, durations, units)
    return [
        *lines,
        "",
        *_centerlines(lobe, spec),
        _line("peak lift", f"{length(lobe.peak_lift_mm, units)} at the valve{_given_lift(spec.valve_lift_mm, units)}"),
        _line("", f"{length(lobe.peak_lobe_lift_mm, units)} at the lobe{_given_lift(spec.lobe_lift_mm, units)}"),
        _line("slack", _or_unknown(lobe.slack_deg, "deg")),
        _line("latency", _or_unknown(lobe.latency_ms, "ms")),
        *([_line("base circle", _rest(lobe.at_rest, units))] if lobe.at_rest else []),
    ]


def _rest(rest: AtRest, units: Units) -> str:
    places = 3 if units == "mm" else 4
    runout, drift, sank = (mm / MM_PER[units] for mm in (rest.runout_mm, rest.drift_mm, rest.sank_mm))
    text = f"zero {plus_minus(rest.zero_mm, MM_PER[units])}, runout {runout:.{places}f}, drift {drift + 0.0:+.{places}f}"
    return text + (f", sank {sank:.{places}f}" if sank else "") + f" {units}"


def _row(lift_text: str, at: str, opens: str, closes: str, duration: str) -> str:
    return f"  {lift_text:>10} {at:<5} {opens:<20} {closes:<20} {duration}"


def _event(event: Event, valve: str, durations: tuple[DurationSpec, ...], units: Units) -> list[str]:
    """The measured row and, where the maker gives the same checking lift, what is specified and by how much it is missed."""
    opens, closes = _EVENTS[valve]
    measured = _row(
        lift(event.lift_mm, units),
        event.at,
        angle(event.opens_deg, opens),
        angle(event.closes_deg, closes),
        plus_minus(event.duration_deg),
    )
    given = [d for d in durations if same_lift(d, event)]
    if not given:
        return [measured]
    maker = given[0]
    specified = _row("specified", "", _said(maker.opens, opens), _said(maker.closes, closes), f"{maker.deg:g}")
    missed = _row(
        "difference",
        "",
        _off(event.opens_deg, maker.opens),
        _off(event.closes_deg, maker.closes),
        _off(event.duration_deg, maker.deg),
    )
    return [measured, specified, missed]


def _centerlines(lobe: Lobe, spec: LobeSpec) -> list[str]:
    """The headline first, then the other three, which are different quantities."""
    happening = _CENTERLINE[lobe.valve]
    given = (
        "" if spec.centerline_deg is None else f", specified {spec.centerline_deg:g} {'A' if lobe.valve == 'intake' else 'B'}TDC"
    )
    lines = [_line("centerline", f"{angle(lobe.centerline_deg, happening)}  {_BY['equal_lift']}{given}")]
    others = [(name, number) for name, number in lobe.centerline_by.items() if name != "equal_lift"]
    return lines + [_line("", f"{angle(number, happening)}  {_BY.get(name, name)}") for name, number in others]


def _cam(cam: Cam, job: Job) -> list[str]:
    spec = job.specification.cam
    advance = cam.advance_deg
    word = "advanced" if advance.value >= 0 else "retarded"
    lines = [
        f"CAMSHAFT, cylinder {cam.cylinder}",
        _line("separation", f"{plus_minus(cam.separation_deg)} cam degrees{_given_deg(spec.separation_deg)}"),
        _line("advance", f"{plus_minus(_positive(advance))} {word}{_given_deg(spec.advance_deg)}"),
    ]
    if cam.overlap_deg is not None:
        at = (
            ""
            if cam.overlap_lift_mm is None
            else f" at {lift(cam.overlap_lift_mm, job.measure.units)} {job.measure.units} lobe lift"
        )
        none = "" if cam.overlap_deg.value >= 0 else "none; both closed for "
        lines.append(_line("overlap", f"{none}{plus_minus(_positive(cam.overlap_deg))}{at}"))
    return lines


def _positive(number: Number) -> Number:
    return Number(abs(number.value), number.u95)


def _said(deg: float | None, happening: Happening) -> str:
    return "" if deg is None else label(deg, happening)


def _off(measured: Number, specified: float | None) -> str:
    return "" if specified is None else f"{measured.value - specified + 0.0:+.{decimals(measured.u95)}f}"


def _given_lift(mm: float | None, units: Units) -> str:
    return "" if mm is None else f", specified {lift(mm, units)}"


def _given_deg(deg: float | None) -> str:
    return "" if deg is None else f", specified {deg:g}"


def _or_unknown(number: Number | None, unit: str) -> str:
    return "cannot be told from these captures" if number is None else f"{plus_minus(number)} {unit}"


def _line(name: str, text: str) -> str:
    return f"  {name:<12}{text}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)


def _items(texts: Iterable[str]) -> list[str]:
    lines: list[str] = []
    for text in texts:
        lines += textwrap.wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)
    return lines


def _captures(captures: tuple[str, ...]) -> list[str]:
    """Each capture's name with its SHA-256 on the line below, so that the sheet can be traced to its data."""
    lines: list[str] = []
    for capture in captures:
        name, digest = capture.rsplit(" ", 1)
        lines += [*_wrapped(shown(name)), f"    sha256 {digest}"]
    return lines
