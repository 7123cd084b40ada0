"""Every sweep measured for itself, each with its own job's TDC, so that one can be laid over another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.base.errors import DataError
from analysis.base.samples import Capture
from analysis.compare.difference import Difference
from analysis.compare.laid import Cells, Shape
from analysis.compare.lobes import Against, compare_lobes
from analysis.compare.nominal import Nominal
from analysis.curve.sweep_selection import turned_on
from analysis.decision.cylinders import measure_cylinders
from analysis.job import Job
from analysis.job.lift_table import LiftTable
from analysis.lobe.result import Lobe, Used
from analysis.measure import forward_of
from analysis.tdc.carrying import count_of


@dataclass(frozen=True)
class OneSweep:
    """What one capture says of one lobe. `job`: what its job is called. `turned_back`: captures of backward motion, which told the
    slack of this sweep and nothing else.
    """

    capture: str
    lobe: Lobe
    job: str = ""
    turned_back: tuple[str, ...] = ()

    @property
    def cylinder(self) -> int:
        """Whose lobe it is."""
        return self.lobe.cylinder

    @property
    def valve(self) -> str:
        """Which lobe it is, as its place shows."""
        return self.lobe.valve

    @property
    def at(self) -> str:
        """Where the indicator stood: "lobe" or "valve"."""
        return self.lobe.job.rig.indicator_at


@dataclass(frozen=True)
class LobeLine:
    """One lobe with its sweeps: `whole` is the mean of them against the reference, `each` every one; None: the reference itself."""

    sweeps: tuple[OneSweep, ...]
    whole: Difference | None
    each: tuple[Difference | None, ...]


@dataclass(frozen=True)
class ValveStudy:
    """All lobes of one valve, measured `at` one place, `against` what was asked for. `reference` in words."""

    valve: str
    at: str
    against: Against
    reference: str
    lines: tuple[LobeLine, ...]

    @property
    def cells(self) -> Cells | None:
        """The cells on which they were compared."""
        return next((line.whole.cells for line in self.lines if line.whole is not None), None)


def each_sweep(job: Job, captures: Sequence[Capture], name: str = "") -> tuple[tuple[OneSweep, ...], tuple[DataError, ...]]:
    """Each sweep's lobes, in the order of the captures, and why a sweep says nothing. TDC is that of `measure`. `name`: of the job.

    The direction of rotation is that of all of them: a sweep turned backward alone would pass for one turned forward.
    """
    sweeps = [c for c in captures if c.header.step == "sweep" and c.samples.crank.size]
    backward: dict[int, list[Capture]] = {}
    if sweeps:
        forward = forward_of(job, sweeps)
        backward, way = _backward(sweeps, forward), "up" if forward > 0 else "down"
        job = job.model_copy(update={"rig": job.rig.model_copy(update={"direction": way})})
    finders = [c for c in captures if c.header.step != "sweep"]
    found: list[OneSweep] = []
    refused: list[DataError] = []
    helping = {id(each) for behind in backward.values() for each in behind}
    for k, capture in enumerate(sweeps):
        if id(capture) in helping:
            continue
        try:
            measured = measure_cylinders(job, [*finders, *backward.get(k, ()), capture])
        except DataError as error:
            refused.append(DataError(error.what, where=error.where or capture.path, do=error.do))
            continue
        used, back = Used.of(capture), tuple(Used.of(each).name for each in backward.get(k, ()))
        found += [
            OneSweep(used.name, _of_one_job(lobe, sweeps[0]), name, back) for one in measured.values() for lobe in one.lobes
        ]
        refused += [each.error for one in measured.values() for each in one.refused]
    return tuple(found), tuple(refused)


def _of_one_job(lobe: Lobe, first: Capture) -> Lobe:
    """A job that gives the count of TDC gives one to all of its sweeps, whichever start of the board each was recorded on."""
    swept, tdc = lobe.swept, lobe.swept.sweep.tdc
    if tdc.method != "given":
        return lobe
    return replace(lobe, swept=replace(swept, sweep=replace(swept.sweep, tdc=replace(tdc, told_by=count_of(first)))))


def _backward(sweeps: Sequence[Capture], forward: int) -> dict[int, list[Capture]]:
    """By the place of a sweep in direction of rotation, the captures of backward motion that tell its slack: those of its valve that
    follow it, up to the next; those before all of them belong to the first.
    """
    last: dict[tuple[int, tuple[str, ...]], int] = {}
    early: dict[tuple[int, tuple[str, ...]], list[Capture]] = {}
    found: dict[int, list[Capture]] = {}
    for k, capture in enumerate(sweeps):
        lobe = capture.header.cylinder, capture.header.channels
        if turned_on(capture, forward):
            found[k], last[lobe] = early.pop(lobe, []), k
        elif not turned_on(capture, -forward):
            continue
        elif lobe in last:
            found[last[lobe]].append(capture)
        else:
            early.setdefault(lobe, []).append(capture)
    return found


def study(sweeps: Sequence[OneSweep], against: Against, nominal: Mapping[str, LiftTable] | None = None) -> tuple[ValveStudy, ...]:
    """The sweeps by valve and place of the indicator, compared. `nominal`: by valve, for "nominal".

    Raises DataError if no valve has anything to be compared with.
    """
    groups: dict[tuple[str, str], list[OneSweep]] = {}
    for sweep in sorted(sweeps, key=lambda sweep: ("intake", "exhaust").index(sweep.valve)):
        groups.setdefault((sweep.valve, sweep.at), []).append(sweep)
    tables = nominal or {}
    found = [
        _study(valve, at, mine, against, Nominal.seen_on(mine[0].lobe.job.rig, tables[valve]) if valve in tables else None)
        for (valve, at), mine in groups.items()
        if (valve in tables if against == "nominal" else len(mine) > 1)
    ]
    if not found and against == "nominal":
        raise DataError(
            "there is no nominal profile of a valve that was swept",
            do="Give one with --nominal FILE, or in job.toml as [specification.intake.profile]",
        )
    if not found:
        raise DataError("no valve has two sweeps to overlay", do="Sweep it again, or the same valve of another cylinder")
    return tuple(found)


def _study(valve: str, at: str, sweeps: Sequence[OneSweep], against: Against, nominal: Shape | None) -> ValveStudy:
    compared = compare_lobes([sweep.lobe for sweep in sweeps], against, nominal)
    lines = tuple(LobeLine(tuple(sweeps[k] for k in one.sweeps), one.whole, one.each) for one in compared)
    first = sweeps[0]
    words = {
        "first": f"{first.capture} of {first.job or 'the job'}, cylinder {first.cylinder}",
        "mean": f"the mean of {len(lines)} {'lobes' if len(lines) > 1 else 'lobe'}",
        "rest": "the rest of them, without those that differ",
        "nominal": "the nominal profile",
    }
    return ValveStudy(valve, at, against, words[against], lines)
