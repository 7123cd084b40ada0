"""From captures to a decision: everything that a builder must know before the engine is closed, in one frozen tree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.base.errors import DataError
from analysis.base.finding import Finding, in_order
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.decision.causes import Causes, causes_of, different_turns
from analysis.decision.clearance import PistonClearance, piston_clearance
from analysis.decision.compression import dynamic_compression
from analysis.decision.correction import Correction, correct
from analysis.decision.cylinders import Spacing, at_cylinder, measure_cylinders, spacings
from analysis.decision.doubted import doubted
from analysis.decision.spring import Loads, Margin, loads, margins
from analysis.decision.valve_lift import Overlap, overlap_of
from analysis.decision.verdict import Line, Verdict, compare, overall
from analysis.job import Job
from analysis.lobe.result import Measurement


@dataclass(frozen=True)
class After:
    """What becomes of clearances and compression once the camshaft is turned as the correction says."""

    clearances: tuple[PistonClearance, ...]
    compression: Quantity | None


@dataclass(frozen=True)
class Decision:
    """A job's measurement, and what follows from it.

    `lines`: the card's, as compared. `clearances`, `margins` and `spacings` count in the verdict too. `causes`: likely causes of
    what does not fit. `compression`: the dynamic ratio. `after`: None where nothing is to be turned.
    """

    job: Job
    measured: Measurement
    lines: tuple[Line, ...]
    spacings: tuple[Spacing, ...]
    clearances: tuple[PistonClearance, ...]
    margins: tuple[Margin, ...]
    loads: tuple[Loads, ...]
    overlap: Overlap | None
    compression: Quantity | None
    causes: Causes
    correction: Correction | None
    after: After | None

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Every verdict there is."""
        judged = (self.lines, self.spacings, self.clearances, self.margins)
        return tuple(each.verdict for group in judged for each in group)

    @property
    def verdict(self) -> Verdict:
        """Of the whole job."""
        return overall(self.verdicts)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that a person must know: about the evidence, about the measured clearances, and the likely causes."""
        return in_order((*self.measured.findings, *self.own_findings))

    @property
    def own_findings(self) -> tuple[Finding, ...]:
        """Those that the measurement alone does not have."""
        return (*self.causes.findings, *(each.disagree for each in self.clearances if each.disagree))


def decide(job: Job, captures: Sequence[Capture]) -> Decision:
    """Measure and judge. Raises DataError where the captures cannot be measured (decision/refusal.py may know why)."""
    cylinders = measure_cylinders(job, captures)
    cylinder, measured = next(iter(cylinders.items()))
    job = at_cylinder(job, cylinder)
    lines = compare(job, measured)
    causes = _causes(job, measured, lines)
    evidence = (*measured.findings, *causes.findings)
    lines = doubted(lines, evidence)
    correction = correct(job, lines, causes.turn)
    others = [finding for each in cylinders.values() for finding in each.findings]
    return Decision(
        job=job,
        measured=measured,
        lines=lines,
        spacings=doubted(spacings(job, cylinders), (*others, *causes.findings)),
        clearances=_clearances(job, measured, evidence),
        margins=doubted([margin for lobe in measured.lobes for margin in margins(job, lobe)], evidence),
        loads=tuple(found for lobe in measured.lobes if (found := loads(job, lobe)) is not None),
        overlap=_overlap(job, measured),
        compression=_compression(job, measured),
        causes=causes,
        correction=correction,
        after=_after(job, measured, evidence, correction),
    )


def _causes(job: Job, measured: Measurement, lines: tuple[Line, ...]) -> Causes:
    """Causes are looked for where something does not fit: a line of the card, or a lobe that is another valve's."""
    fits = overall(line.verdict for line in lines) == "within"
    misplaced = any(lobe.swept.sweep.stood_on not in ("unknown", lobe.valve) for lobe in measured.lobes)
    if fits and not misplaced:
        turns = different_turns(measured)
        return Causes(turns, not turns)
    return causes_of(job, measured)


def _clearances(
    job: Job, measured: Measurement, evidence: Sequence[Finding], correction: Correction | None = None
) -> tuple[PistonClearance, ...]:
    found: list[PistonClearance] = []
    for lobe in measured.lobes:
        by = correction.advance_of(lobe.valve) if correction else 0.0
        clearance = piston_clearance(job, lobe, by)
        if clearance:
            own = () if clearance.disagree is None else (clearance.disagree,)
            found += doubted([clearance], (*evidence, *own))
    return tuple(found)


def _overlap(job: Job, measured: Measurement) -> Overlap | None:
    intake, exhaust = (measured.lobe(valve) for valve in ("intake", "exhaust"))
    try:
        return overlap_of(intake, exhaust, job.rig) if intake and exhaust else None
    except DataError:  # a sweep begins or ends within it, or the lobes are not those of one cylinder
        return None


def _compression(job: Job, measured: Measurement, advance_deg: float = 0.0) -> Quantity | None:
    intake = measured.lobe("intake")
    try:
        return dynamic_compression(job, intake, advance_deg) if intake else None
    except DataError:  # the sweep does not reach down to the closing lift: events at it are missing too, and say so
        return None


def _after(job: Job, measured: Measurement, evidence: Sequence[Finding], correction: Correction | None) -> After | None:
    if correction is None or not correction.wanted:
        return None
    return After(_clearances(job, measured, evidence, correction), _compression(job, measured, correction.advance_of("intake")))
