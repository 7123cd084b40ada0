"""The whole way from captures to a result: what `lobetrace analyze` and the live screen call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

from analysis.base.errors import DataError, placed
from analysis.base.finding import Caution
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Capture
from analysis.crank.motion import running_direction
from analysis.crank.segments import first_start
from analysis.curve.sweep import Sweep, read_sweep
from analysis.curve.sweep_selection import for_slack, left_out, of_one_cylinder, onward
from analysis.diagnosis.of_curve import about_curve
from analysis.diagnosis.of_sweep import about_both_tdc, about_capture, about_sweep, about_tdc
from analysis.job import Job
from analysis.lobe.causes import on_one_shaft
from analysis.lobe.measured import MeasuredLobe, foot_of, measure_lobe, number
from analysis.lobe.result import Cam, Result, Tdc
from analysis.lobe.timing import advance, overlap, separation
from analysis.tdc.carrying import carry_tdc, same_count
from analysis.tdc.slider_crank import slider_crank
from analysis.tdc.stop import TdcFound, by_stop
from analysis.tdc.travel import by_travel, offcenter_prior

# What an indicator channel may stand on to show a lobe.
VALVES = ("intake", "exhaust", "unknown")


@dataclass(frozen=True)
class Measured:
    """A result, the quantities behind it for budgets (by name, in the unit of the result), and each lobe's curve by valve."""

    result: Result
    quantities: dict[str, Quantity]
    lobes: dict[str, MeasuredLobe]


def measure(job: Job, captures: Sequence[Capture]) -> Result:
    """Everything that the captures of one cylinder say. Later captures of the same valve replace earlier ones.

    Raises DataError if they cannot answer: no TDC, no sweep, a sweep that does not cover the lobe, only backward motion.
    """
    return measure_all(job, captures).result


def measure_all(job: Job, captures: Sequence[Capture], *, after_deg: float = 0.0) -> Measured:
    """As `measure`, with the quantities behind the numbers.

    `after_deg`: by how many crank degrees the TDC of the cylinder swept comes after that which the captures find.
    """
    usable = [first_start(c) for c in captures if c.header is not None and c.samples.crank.size]
    sweeps = [c for c in usable if c.header is not None and c.header.step == "sweep"]
    if not sweeps:
        raise DataError(
            "there is no sweep of a valve among the captures",
            do="Record one with: lobetrace capture JOB --step sweep --valve intake",
        )
    of_one_cylinder(job, sweeps)
    forward = forward_of(job, sweeps)
    tdc, source, about = find_tdc(job, usable, forward)
    tdc = tdc.later(after_deg, forward)
    cautions = [caution for c in captures for caution in about_capture(c)] + about
    channels: list[Sweep] = []
    for capture in sweeps:
        count, moved = (tdc.count, ()) if source is None else carry_tdc(tdc, source, capture)
        cautions += moved
        stood_on = capture.header.channels if capture.header is not None else ()
        channels += [Sweep(capture, c, on, count, tdc, forward) for c, on in enumerate(stood_on) if on in VALVES]
    found: dict[str, MeasuredLobe] = {}
    for sweep in [s for s in channels if onward(s)] or channels:  # if there is no other, a backward one is refused in words
        with placed(sweep.capture.path):
            swept = read_sweep(job.rig, sweep, foot_of(job))
            found[swept.valve] = measure_lobe(job, swept, for_slack(sweep, channels))
    for lobe in found.values():
        cautions += about_sweep(job, lobe) + about_curve(job, lobe)
    cautions += left_out(channels, [*found, *(lobe.swept.sweep.stood_on for lobe in found.values())])
    quantities = {f"{valve} {name}": q for valve, lobe in found.items() for name, q in lobe.quantities.items()}
    quantities["tdc"] = tdc.at_top(forward)
    result = Result(
        tdc=Tdc(number(quantities["tdc"]), tdc.method, sum(tdc.touches)),
        lobes=tuple(found[valve].lobe for valve in ("intake", "exhaust") if valve in found),
        cam=_cam(job, quantities, found),
        warnings=tuple(dict.fromkeys(cautions)),
        captures=tuple(f"{PurePath(c.path).name or 'unnamed'} {c.sha256}" for c in _used(usable, channels, found)),
    )
    return Measured(result, quantities, found)


def _used(captures: Sequence[Capture], sweeps: Sequence[Sweep], found: dict[str, MeasuredLobe]) -> list[Capture]:
    """The captures that a result was made of, in order: not those that a later one of their kind replaced."""
    made_of = [s.capture for lobe in found.values() for s in for_slack(lobe.swept.sweep, sweeps)]
    last = {c.header.step: c for c in captures if c.header is not None and c.header.step != "sweep"}
    return [c for c in captures if any(c is used for used in (*made_of, *last.values()))]


def forward_of(job: Job, sweeps: Sequence[Capture]) -> int:
    """The sign of counting in running direction: as the job says, or the way in which the sweeps went further."""
    if job.rig.direction != "auto":
        return 1 if job.rig.direction == "up" else -1
    return running_direction(max((c.samples.crank for c in sweeps), key=lambda crank: crank.size))


def find_tdc(job: Job, captures: Sequence[Capture], forward: int) -> tuple[TdcFound, Capture | None, list[Caution]]:
    """TDC from the last capture of the stop and of the piston's travel, whichever is less uncertain, or the count given in the
    job. Of an encoder off center only the piston's travel tells more than the job's bound.
    """
    engine, rig = job.engine, job.rig
    geometry = slider_crank(engine.stroke_mm, engine.rod_mm, engine.pin_offset_mm)
    last = {c.header.step: c for c in captures if c.header is not None}
    travel = by_travel(last["travel"], rig, geometry, forward) if "travel" in last else None
    u = offcenter_prior(rig.encoder_offcenter_deg)
    causes = (Source(f"encoder off center, {part}", u=u, unit="deg") for part in ("across", "along"))
    sine, cosine = (Quantity(0.0).with_part(cause, u) for cause in causes)
    if "stop" in last:
        stop = replace(by_stop(last["stop"], geometry, forward), sine=sine, cosine=cosine)
        if travel is None:
            return stop, last["stop"], about_tdc(stop)
        cautions = about_tdc(stop)
        if _one_count(last["stop"], last["travel"]):
            cautions += about_both_tdc(stop, travel, forward)
            stop = replace(stop, sine=travel.sine, cosine=travel.cosine)
        if stop.count.u < travel.count.u:
            return stop, last["stop"], cautions
        return travel, last["travel"], cautions
    if travel is not None:
        return travel, last["travel"], []
    if rig.tdc_count is not None:
        header = captures[0].header
        assert header is not None
        return TdcFound(Quantity(rig.tdc_count), header.board.cpr, "given", sine=sine, cosine=cosine), None, []
    raise DataError(
        "TDC is not known: there is no capture of the piston stop or travel, and the job gives no tdc_count",
        do="Record one with: lobetrace capture JOB --step stop",
    )


def _cam(job: Job, quantities: dict[str, Quantity], lobes: dict[str, MeasuredLobe]) -> Cam | None:
    """Intake against exhaust, if both were measured."""
    intake, exhaust = quantities.get("intake centerline"), quantities.get("exhaust centerline")
    if intake is None or exhaust is None:
        return None

    def of_both(quantity: Quantity) -> Quantity:
        one_shaft = job.timing_set.camshafts == 1
        return on_one_shaft(quantity, (lobe.causes for lobe in lobes.values())) if one_shaft else quantity

    apart, early = of_both(separation(intake, exhaust)), of_both(advance(intake, exhaust))
    quantities["separation"], quantities["advance"] = apart, early
    lift = max(
        (
            lift
            for lift in job.measure.checking_lifts_mm
            if f"intake opens {lift:g}" in quantities and f"exhaust closes {lift:g}" in quantities
        ),
        default=None,
    )
    both = None
    if lift is not None:
        both = of_both(overlap(quantities[f"intake opens {lift:g}"], quantities[f"exhaust closes {lift:g}"]))
        quantities[f"overlap {lift:g}"] = both
    return Cam(
        cylinder=job.measure.cylinder,
        separation_deg=number(apart),
        advance_deg=number(early),
        overlap_deg=None if both is None else number(both),
        overlap_lift_mm=lift,
    )


def _one_count(a: Capture, b: Capture) -> bool:
    return a.header is not None and b.header is not None and same_count(a.header, b.header)
