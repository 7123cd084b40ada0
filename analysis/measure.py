"""The whole way from the captures of one cylinder to its numbers: what `lobetrace analyze` and the live screen stand on."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.base.errors import DataError, placed
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Capture
from analysis.base.words import said_in
from analysis.crank.motion import direction_of_rotation
from analysis.crank.segments import on_one_count
from analysis.curve.lobe_period import refuse_other_cpr
from analysis.curve.sweep import Sweep, Swept, read_sweep
from analysis.curve.sweep_selection import for_slack, of_one_cylinder, onward, turned_on
from analysis.job import Job
from analysis.lobe.causes import on_one_shaft
from analysis.lobe.measured import foot_of, measure_lobe
from analysis.lobe.result import Cam, Event, Evidence, Lobe, Measurement, Refused, Tdc, Used
from analysis.lobe.timing import advance, overlap, separation
from analysis.tdc.carrying import carry_tdc, count_of, same_count
from analysis.tdc.slider_crank import slider_crank
from analysis.tdc.stop import TdcFound, by_stop
from analysis.tdc.travel import by_travel, offcenter_prior

_log = logging.getLogger(__name__)

# What an indicator channel may stand on to show a lobe.
VALVES = ("intake", "exhaust", "unknown")


@dataclass(frozen=True)
class Located:
    """TDC as it is used, the capture that it came from (None: the job gave it), and what each way of finding it said. `one_count`:
    stop and travel were recorded with one zero of the count.
    """

    tdc: TdcFound
    source: Capture | None
    stop: TdcFound | None = None
    travel: TdcFound | None = None
    one_count: bool = False


def measure(job: Job, captures: Sequence[Capture], *, after_deg: float = 0.0) -> Measurement:
    """Everything that the captures of one cylinder say. Later captures of the same valve replace earlier ones.

    `after_deg`: by how many crank degrees the TDC of the cylinder swept comes after that which the captures find. What is doubtful
    about the numbers `analysis.diagnosis.examine` says. A lobe that cannot be told is in `refused`. Raises DataError if nothing
    can: no TDC, no sweep, no sweep that covers its lobe, only backward motion.
    """
    whole = [on_one_count(c) for c in captures]
    usable = [c for c in whole if c.samples.crank.size]
    sweeps = [c for c in usable if c.header.step == "sweep"]
    if not sweeps:
        raise DataError(
            "there is no sweep of a valve among the captures" + (", but one without rows" if len(usable) < len(captures) else ""),
            do="Record one with: lobetrace capture JOB --step sweep --valve intake",
        )
    for capture in sweeps:
        with placed(capture.path):
            refuse_other_cpr(capture)
    of_one_cylinder(job, sweeps)
    forward = forward_of(job, sweeps)
    usable = _tied(usable)
    located = find_tdc(job, usable, forward)
    told_by = f"capture {located.source.sha256}" if located.source is not None else count_of(usable[0])
    tdc = replace(located.tdc.later(after_deg, forward), told_by=told_by)
    _log.info("top dead center at count %.2f, by the %s", tdc.count.value, tdc.method)
    asked: list[Sweep | Refused] = []
    moved: list[float] = []
    for capture in (c for c in whole if c.header.step == "sweep"):
        stands = [(c, on) for c, on in enumerate(capture.header.channels) if on in VALVES]
        try:
            count, by = _carried(tdc, located, capture)
        except DataError as error:
            asked += [Refused(capture.path, on, error) for _, on in stands]
        else:
            moved.append(by)
            asked += [Sweep(capture, c, on, count, tdc, forward) for c, on in stands]
    channels = [each for each in asked if isinstance(each, Sweep)]
    found, seen, refused = _lobes(job, asked)
    lobes = tuple(found[valve] for valve in ("intake", "exhaust") if valve in found)
    return Measurement(
        tdc=Tdc(tdc.at_top(forward).labelled("count"), tdc.method, sum(tdc.contact_counts)),
        lobes=lobes,
        cam=_cam(job, found),
        captures=tuple(
            Used.of(c, backward=c.header.step == "sweep" and turned_on(c, -forward)) for c in _used(usable, channels, lobes)
        ),
        refused=refused,
        evidence=Evidence(
            forward,
            located.stop,
            located.travel,
            located.one_count,
            tuple(moved),
            tuple(channels),
            seen=seen,
            checked_again=_checked_again(job, usable, forward),
        ),
    )


def _carried(tdc: TdcFound, located: Located, capture: Capture) -> tuple[Quantity, float]:
    """TDC as a count of a sweep, and by how many degrees the count moved. DataError if the sweep has no row, or TDC is lost."""
    if not capture.samples.crank.size:
        raise DataError("the capture holds no rows", where=capture.path, do="Record it again, or move it out of captures/")
    return (tdc.count, 0.0) if located.source is None else carry_tdc(tdc, located.source, capture)


def _lobes(job: Job, asked: Sequence[Sweep | Refused]) -> tuple[dict[str, Lobe], tuple[Swept, ...], tuple[Refused, ...]]:
    """Every valve's lobe from its last sweep, what was seen in each sweep, and the sweeps that gave no lobe. A valve whose last
    sweep is refused has none: what was swept before was not meant to count any more. Raises the first refusal if nothing is
    left.
    """
    sweeps = [each for each in asked if isinstance(each, Sweep)]
    some_onward = any(onward(sweep) for sweep in sweeps)  # if none was, a backward one is refused in words
    found: dict[str, Lobe] = {}
    seen: list[Swept] = []
    refused: dict[str, Refused] = {}
    for each in asked:
        if isinstance(each, Sweep) and some_onward and not onward(each):
            continue
        told = each if isinstance(each, Refused) else _lobe(job, each, sweeps)
        if isinstance(told, Refused):
            _log.info("no %s lobe from %s: %s", told.valve, told.capture, told.error.what)
            refused[told.valve] = told
            found.pop(told.valve, None)
        else:
            _log.info("%s lobe from %s: %d passes", told.valve, told.swept.sweep.capture.path, told.passes)
            seen.append(told.swept)
            found[told.valve] = told
            refused.pop(told.swept.sweep.stood_on, None)
    if refused and not found:
        raise next(iter(refused.values())).error
    return found, tuple(seen), tuple(refused.values())


def _lobe(job: Job, sweep: Sweep, sweeps: Sequence[Sweep]) -> Lobe | Refused:
    """What one sweep comes to, or why it comes to nothing."""
    try:
        with placed(sweep.capture.path), said_in(job.measure.units):
            return measure_lobe(job, read_sweep(job.rig, sweep, foot_of(job)), for_slack(sweep, sweeps))
    except DataError as error:
        return Refused(sweep.capture.path, sweep.stood_on, _with_damage(sweep.capture, error))
    except (np.linalg.LinAlgError, ArithmeticError) as error:
        odd = DataError(
            f"no lift curve goes through these readings ({error})",
            where=sweep.capture.path,
            do="Look at the readings (lobetrace replay), check the indicator's setting and its cable, and sweep again",
        )
        return Refused(sweep.capture.path, sweep.stood_on, _with_damage(sweep.capture, odd))


def _with_damage(capture: Capture, error: DataError) -> DataError:
    """The error, and that the capture is not whole if it is not: that is why, most of the time."""
    if capture.complete:
        return error
    cause = "was altered after it was recorded" if capture.altered else "is cut short"
    return DataError(f"the capture {cause}: {error.what}", where=error.where, do=error.do)


def _tied(captures: Sequence[Capture]) -> list[Capture]:
    """Without a stop or travel from behind the sweeps that nothing ties to them, since the board has started again: what found TDC
    before them still holds.
    """
    swept = [k for k, c in enumerate(captures) if c.header.step == "sweep"]
    before, last = {c.header.step for c in captures[: swept[0]]}, captures[swept[-1]]

    def ties(capture: Capture) -> bool:
        by_index = capture.header.board.index and last.header.board.index
        return capture.header.step not in before or by_index or _one_count(capture, last)

    return [c for k, c in enumerate(captures) if k < swept[-1] or c.header.step == "sweep" or ties(c)]


def _checked_again(job: Job, captures: Sequence[Capture], forward: int) -> Quantity | None:
    """By how many degrees TDC came later after the sweeps than before them, found the same way both times; of stop and travel the
    surer. None if it was not found again, or where nothing ties the two counts together.
    """
    found = [again for kind in ("stop", "travel") if (again := _found_again(job, captures, kind, forward)) is not None]
    return min(found, key=lambda again: again.u, default=None)


def _found_again(job: Job, captures: Sequence[Capture], kind: str, forward: int) -> Quantity | None:
    swept = [k for k, c in enumerate(captures) if c.header.step == "sweep"]
    before = [c for c in captures[: swept[0]] if c.header.step == kind][-1:]
    after = [c for c in captures[swept[-1] + 1 :] if c.header.step == kind][-1:]
    if not before or not after:
        return None
    geometry = slider_crank(job.engine.stroke_mm, job.engine.rod_mm, job.engine.pin_offset_mm)
    first, last = (
        by_stop(c, geometry, forward) if kind == "stop" else by_travel(c, job.rig, geometry, forward) for c in (*before, *after)
    )
    expected = first.count
    if not _one_count(*before, *after):
        try:
            expected, _ = carry_tdc(first, *before, *after)  # by the index pulse, which is the encoder's too
        except DataError:
            return None
    # Two samples of one way of finding it: what they share is not known, so that nothing drops out.
    apart = Quantity(last.count.value - expected.value).with_part(Source("TDC found again"), math.hypot(expected.u, last.count.u))
    half = first.cpr / 2
    return (apart.moved((apart.value + half) % first.cpr - half) * (forward * 360.0 / first.cpr)).labelled("deg")


def _used(captures: Sequence[Capture], sweeps: Sequence[Sweep], lobes: Sequence[Lobe]) -> list[Capture]:
    """The captures that a result was made of, in order: not those that a later one of their kind replaced."""
    made_of = [s.capture for lobe in lobes for s in for_slack(lobe.swept.sweep, sweeps)]
    last = {c.header.step: c for c in captures if c.header.step != "sweep"}
    return [c for c in captures if any(c is used for used in (*made_of, *last.values()))]


def forward_of(job: Job, sweeps: Sequence[Capture]) -> int:
    """The sign of counting in direction of rotation: as the job says, or the way in which the sweeps went further."""
    if job.rig.direction != "auto":
        return 1 if job.rig.direction == "up" else -1
    return direction_of_rotation(max((c.samples.crank for c in sweeps), key=lambda crank: crank.size))


def find_tdc(job: Job, captures: Sequence[Capture], forward: int) -> Located:
    """TDC from the last capture of the stop and of the piston's travel, whichever is less uncertain, or the count given in the
    job. Of an encoder off center only the piston's travel tells more than the job's bound.
    """
    engine, rig = job.engine, job.rig
    geometry = slider_crank(engine.stroke_mm, engine.rod_mm, engine.pin_offset_mm)
    last = {c.header.step: c for c in captures}
    by = {step: last.get(step) for step in ("stop", "travel")}
    travel = None if by["travel"] is None else by_travel(by["travel"], rig, geometry, forward)
    u = offcenter_prior(rig.encoder_offcenter_deg)
    causes = (Source(f"encoder off center, {part}", u=u, unit="deg") for part in ("across", "along"))
    sine, cosine = (Quantity(0.0).with_part(cause, u) for cause in causes)
    stop = None if by["stop"] is None else replace(by_stop(by["stop"], geometry, forward), sine=sine, cosine=cosine)
    one_count = by["stop"] is not None and by["travel"] is not None and _one_count(by["stop"], by["travel"])
    if stop is not None:
        used = replace(stop, sine=travel.sine, cosine=travel.cosine) if travel is not None and one_count else stop
        if travel is None or stop.count.u < travel.count.u:
            return Located(used, by["stop"], stop, travel, one_count)
    if travel is not None:
        return Located(travel, by["travel"], stop, travel, one_count)
    if rig.tdc_count is not None:
        return Located(TdcFound(Quantity(rig.tdc_count), captures[0].header.board.cpr, "given", sine=sine, cosine=cosine), None)
    raise DataError(
        "TDC is not known: there is no capture of the piston stop or travel, and the job gives no tdc_count",
        do="Record one with: lobetrace capture JOB --step stop",
    )


def _cam(job: Job, lobes: dict[str, Lobe]) -> Cam | None:
    """Intake against exhaust, if both were measured."""
    intake, exhaust = lobes.get("intake"), lobes.get("exhaust")
    if intake is None or exhaust is None:
        return None

    def of_both(quantity: Quantity) -> Quantity:
        one_shaft = job.timing_set.camshafts == 1
        return on_one_shaft(quantity, (lobe.causes for lobe in lobes.values())) if one_shaft else quantity

    both = max(_both(intake, exhaust), key=lambda pair: pair[0].lift_mm, default=None)
    return Cam(
        cylinder=job.measure.cylinder,
        separation=of_both(separation(intake.centerline, exhaust.centerline)).labelled("cam deg"),
        advance=of_both(advance(intake.centerline, exhaust.centerline)).labelled("deg", "advance"),
        overlap=None if both is None else of_both(overlap(both[0].opens, both[1].closes)),
        overlap_lift_mm=None if both is None else both[0].lift_mm,
    )


def _both(intake: Lobe, exhaust: Lobe) -> list[tuple[Event, Event]]:
    """Events of the two lobes at one checking lift."""
    closes = {event.lift_mm: event for event in exhaust.events}
    return [(event, closes[event.lift_mm]) for event in intake.events if event.lift_mm in closes]


def _one_count(a: Capture, b: Capture) -> bool:
    return same_count(a.header, b.header)
