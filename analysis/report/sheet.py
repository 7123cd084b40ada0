"""The sheet: everything a result says, in plain text of at most 80 columns, for the customer's folder and for the bench."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from analysis.base.foreign import shown
from analysis.base.quantity import Quantity
from analysis.base.safety import cautions
from analysis.base.words import MM_PER, Units, angle, length, overlap, plus_minus, signed, with_unit, wrapped
from analysis.job import DurationSpec, Job, LobeSpec
from analysis.lobe.result import AtRest, Cam, Event, Lobe, Measurement, Tdc, Used, same_lift
from analysis.report.in_doubt import Named, in_doubt, of_cam, of_lobe, told

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


def sheet(found: Measurement, job: Job) -> str:
    """The whole sheet, ending in a newline. Angles in crank degrees, lengths in the job's units, each to its 95 % uncertainty."""
    units = job.measure.units
    blocks = [_head(job), [*_tdc(found.tdc), *_in_doubt(found, [("count", ("tdc",))])]]
    blocks += [[*_lobe(lobe, job), *_in_doubt(found, tuple(of_lobe(lobe, units)))] for lobe in found.lobes]
    if found.cam:
        blocks.append([*_cam(found.cam, job), *_in_doubt(found, tuple(of_cam(found.cam)))])
    if found.findings:
        blocks.append(["WARNINGS", *_items(told(finding) for finding in found.findings)])
    blocks.append(["SAFETY", *_items(cautions())])
    blocks.append(["CAPTURES", *_captures(found.captures)])
    return "\n\n".join("\n".join(line.rstrip() for line in block) for block in blocks) + "\n"


def _in_doubt(found: Measurement, numbers: Sequence[Named]) -> list[str]:
    """The doubts about the numbers of a block."""
    lines: list[str] = []
    for text in in_doubt(found.findings, numbers):
        lines += wrapped(text, WIDTH, f"  {'IN DOUBT':<12}", " " * 14)
    return lines


def _head(job: Job) -> list[str]:
    engine, rig, units = job.engine, job.rig, job.measure.units
    bore, stroke, rod = (length(mm, units) for mm in (engine.bore_mm, engine.stroke_mm, engine.rod_mm))
    crank = f"bore {bore}, stroke {stroke}, rod {rod} {units}"
    offset = f", pin offset {length(engine.pin_offset_mm, units)} {units}" if engine.pin_offset_mm else ""
    ratio_error = _within(rig.rocker_ratio_error, f"{rig.rocker_ratio_error:g}")
    return [
        "CAMSHAFT SHEET",
        *wrapped(
            f"{shown(engine.name) or 'engine without a name'}, cylinder {job.measure.cylinder} of {engine.cylinders}", WIDTH
        ),
        *wrapped(crank + offset, WIDTH),
        *wrapped(
            f"indicator at the {rig.indicator_at}, rocker ratio {rig.rocker_ratio:g}{ratio_error}, "
            f"lash {length(rig.lash_mm, units)}{_within(rig.lash_error_mm, length(rig.lash_error_mm, units))} {units}",
            WIDTH,
        ),
        "  crank degrees; +/- is the 95 % expanded uncertainty",
    ]


def _within(error: float, text: str) -> str:
    """How far a stated number may be off, unless it is taken as exact."""
    return f" within {text}" if error else ""


def _tdc(tdc: Tdc) -> list[str]:
    return [
        "TOP DEAD CENTER",
        f"  encoder count {plus_minus(tdc.count)}, {_FOUND.get(tdc.method, tdc.method).format(tdc.contacts)}",
    ]


def _lobe(lobe: Lobe, job: Job) -> list[str]:
    units = job.measure.units
    spec = job.specification.of(lobe.valve)
    durations: tuple[DurationSpec, ...] = spec.duration
    passes = "1 pass" if lobe.passes == 1 else f"{lobe.passes} passes"
    lines = [f"{lobe.valve.upper()} LOBE, cylinder {lobe.cylinder}, {passes}", _row(units, "at", "opens", "closes", "duration")]
    for event in lobe.events:
        lines += _event(event, durations, units)
    return [
        *lines,
        "",
        *_centerlines(lobe, spec),
        _line("peak lift", f"{with_unit(lobe.peak_lift, units)} at the valve{_given_lift(spec.valve_lift_mm, units)}"),
        _line("", f"{with_unit(lobe.peak_lobe_lift, units)} at the lobe{_given_lift(spec.lobe_lift_mm, units)}"),
        _line("slack", _or_unknown(lobe.slack)),
        _line("lag", _or_unknown(lobe.lag)),
        *([_line("base circle", _rest(lobe.at_rest, units))] if lobe.at_rest else []),
    ]


def _rest(rest: AtRest, units: Units) -> str:
    places = 3 if units == "mm" else 4
    runout, drift, sank = (mm / MM_PER[units] for mm in (rest.runout_mm, rest.drift_mm, rest.sank_mm))
    text = f"zero {plus_minus(rest.zero, units)}, runout {runout:.{places}f}, drift {drift + 0.0:+.{places}f}"
    return text + (f", sank {sank:.{places}f}" if sank else "") + f" {units}"


def _row(lift_text: str, at: str, opens: str, closes: str, duration: str) -> str:
    return f"  {lift_text:>10} {at:<5} {opens:<20} {closes:<20} {duration}"


def _event(event: Event, durations: tuple[DurationSpec, ...], units: Units) -> list[str]:
    """The measured row and, where the maker gives the same checking lift, what is specified and by how much it is missed."""
    opens, closes, lasts = event.opens, event.closes, event.duration
    measured = _row(length(event.lift_mm, units), event.at, plus_minus(opens), plus_minus(closes), plus_minus(lasts))
    given = [d for d in durations if same_lift(d, event)]
    if not given:
        return [measured]
    maker = given[0]
    specified = _row("specified", "", _said(maker.opens, opens), _said(maker.closes, closes), angle(maker.deg))
    missed = _row("difference", "", _off(opens, maker.opens), _off(closes, maker.closes), _off(lasts, maker.deg))
    return [measured, specified, missed]


def _centerlines(lobe: Lobe, spec: LobeSpec) -> list[str]:
    """The headline first, then the other three, which are different quantities."""
    given = spec.centerline_deg
    signed_deg = given if given is None or lobe.valve == "intake" else -given
    lines = [
        _line("centerline", f"{plus_minus(lobe.centerline)}  {_BY['equal_lift']}{_given(signed_deg, lobe.centerline.place)}")
    ]
    others = [(name, number) for name, number in lobe.centerlines.items() if name != "equal_lift"]
    return lines + [_line("", f"{plus_minus(number)}  {_BY[name]}") for name, number in others]


def _cam(cam: Cam, job: Job) -> list[str]:
    spec = job.specification.cam
    lines = [
        f"CAMSHAFT, cylinder {cam.cylinder}",
        _line("LSA", f"{plus_minus(cam.separation)} cam degrees{_given(spec.separation_deg)}"),
        _line("advance", f"{plus_minus(cam.advance)}{_given(spec.advance_deg, cam.advance.place)}"),
    ]
    if cam.overlap is not None:
        at = (
            ""
            if cam.overlap_lift_mm is None
            else f" at {length(cam.overlap_lift_mm, job.measure.units)} {job.measure.units} lobe lift"
        )
        lines.append(_line("overlap", f"{overlap(cam.overlap)}{at}"))
    return lines


def _said(deg: float | None, measured: Quantity) -> str:
    return "" if deg is None else angle(deg, measured.place)


def _off(measured: Quantity, specified: float | None) -> str:
    return "" if specified is None else signed(measured - specified)


def _given_lift(mm: float | None, units: Units) -> str:
    return "" if mm is None else f", specified {length(mm, units)}"


def _given(deg: float | None, place: str = "") -> str:
    return "" if deg is None else f", specified {angle(deg, place)}"


def _or_unknown(number: Quantity | None) -> str:
    return "cannot be told from these captures" if number is None else with_unit(number)


def _line(name: str, text: str) -> str:
    return f"  {name:<12}{text}"


def _items(texts: Iterable[str]) -> list[str]:
    return [line for text in texts for line in wrapped(text, WIDTH, "  - ", "    ")]


def _captures(captures: tuple[Used, ...]) -> list[str]:
    """Each capture's name with its SHA-256 on the line below, so that the sheet can be traced to its data."""
    lines: list[str] = []
    for used in captures:
        named = f"{shown(used.name)}{f': {used.purpose}' if used.purpose else ''}"
        lines += [*wrapped(named, WIDTH), f"    sha256 {used.sha256}"]
    return lines
