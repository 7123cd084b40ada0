"""From captures to a decision: everything that a builder must know before the engine is closed, in one frozen tree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.base.errors import DataError
from analysis.base.finding import Finding, in_order
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.decision.card import VALVES
from analysis.decision.clearance import PistonClearance, piston_clearance
from analysis.decision.compression import dynamic_compression
from analysis.decision.correction import Correction, correct
from analysis.decision.cylinders import Spacing, at_cylinder, measure_each, spacings, swept_valves
from analysis.decision.doubted import doubted
from analysis.decision.likely_causes import Causes, causes_of, different_turns
from analysis.decision.line_profile import ProfileLine, profiles
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
class Cylinder:
    """What became of one cylinder: its measurement, or the `error` that says why there is none, and what was judged of it."""

    number: int
    measured: Measurement | None
    lines: tuple[Line, ...] = ()
    margins: tuple[Margin, ...] = ()
    own_findings: tuple[Finding, ...] = ()
    error: DataError | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """About its evidence."""
        return (*(self.measured.findings if self.measured else ()), *self.own_findings)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Of its lines and margins; without a measurement, that there is nothing to compare."""
        judged = (self.lines, self.margins)
        return ("not compared",) if self.error else tuple(each.verdict for group in judged for each in group)


@dataclass(frozen=True)
class Decision:
    """A job's measurement, and what follows from it.

    `measured`: of the first cylinder that could be measured, the job's own before any other; `lines` and all that follows are its.
    `others`: every other cylinder that was swept, each judged by the same card as far as it was swept. `lines`: the card's, as
    compared. `clearances`, `margins`, `spacings` and `profiles` (those of all cylinders) count in the verdict too. `causes`: likely
    causes of what does not fit. `compression`: the dynamic ratio. `after`: None where nothing is to be turned.
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
    others: tuple[Cylinder, ...] = ()
    profiles: tuple[ProfileLine, ...] = ()

    @property
    def cylinders(self) -> tuple[Cylinder, ...]:
        """Every cylinder that was swept, the first one that was measured before the others."""
        return (Cylinder(self.job.measure.cylinder, self.measured, self.lines, self.margins), *self.others)

    def cylinder(self, number: int) -> Cylinder | None:
        """One of `cylinders`; None if it was not swept."""
        return next((each for each in self.cylinders if each.number == number), None)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Every verdict there is, of all cylinders."""
        judged = (self.lines, self.spacings, self.clearances, self.margins, self.profiles)
        own = tuple(each.verdict for group in judged for each in group)
        return (*own, *(verdict for each in self.others for verdict in each.verdicts))

    @property
    def verdict(self) -> Verdict:
        """Of the whole job."""
        return overall(self.verdicts)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that a person must know: about the evidence, about the measured clearances, and the likely causes. What is
        about another cylinder begins with its number.
        """
        own = (*self.measured.findings, *self.own_findings)
        others = [_numbered(each.number, finding) for each in self.others for finding in each.findings if finding not in own]
        return in_order((*own, *others))

    @property
    def own_findings(self) -> tuple[Finding, ...]:
        """Those that the measurement alone does not have."""
        return (*self.causes.findings, *(each.disagree for each in self.clearances if each.disagree))


def decide(job: Job, captures: Sequence[Capture]) -> Decision:
    """Measure and judge every cylinder that was swept. Raises DataError where none can be measured (decision/refusal.py may know
    why).
    """
    cylinders, refused = measure_each(job, captures)
    (cylinder, measured), *more = cylinders.items()
    job = at_cylinder(job, cylinder)
    lines = compare(job, measured)
    causes = _causes(job, measured, lines)
    evidence = (*measured.findings, *causes.findings)
    lines = doubted(lines, evidence)
    others = {number: _other(job, captures, number, each) for number, each in more}
    others |= {number: Cylinder(number, None, error=error) for number, error in refused.items()}
    correction = correct(job, lines, causes.turn, {number: each.lines for number, each in others.items()})
    found_of = {cylinder: evidence} | {number: each.findings for number, each in others.items()}
    return Decision(
        job=job,
        measured=measured,
        lines=lines,
        spacings=tuple(
            held
            for each in spacings(job, cylinders)
            for held in doubted([each], (*found_of[each.against], *found_of[each.cylinder]))
        ),
        clearances=_clearances(job, measured, evidence),
        margins=_margins(job, measured, evidence),
        loads=tuple(found for lobe in measured.lobes if (found := loads(job, lobe)) is not None),
        overlap=_overlap(job, measured),
        compression=_compression(job, measured),
        causes=causes,
        correction=correction,
        after=_after(job, measured, evidence, correction),
        others=tuple(others[number] for number in sorted(others)),
        profiles=tuple(
            held
            for number, each in cylinders.items()
            for held in doubted(profiles(job, number, each, required=number == cylinder), found_of[number])
        ),
    )


def _other(job: Job, captures: Sequence[Capture], number: int, measured: Measurement) -> Cylinder:
    """A further cylinder, judged by what the card says of the valves that were swept there."""
    job = at_cylinder(job, number)
    swept = swept_valves(captures, number, measured)
    turns = different_turns(measured)
    evidence = (*measured.findings, *turns)
    lines = [line for line in compare(job, measured) if swept.issuperset((line.asked.valve,) if line.asked.valve else VALVES)]
    return Cylinder(number, measured, doubted(lines, evidence), _margins(job, measured, evidence), turns)


def _margins(job: Job, measured: Measurement, evidence: Sequence[Finding]) -> tuple[Margin, ...]:
    return doubted([margin for lobe in measured.lobes for margin in margins(job, lobe)], evidence)


def _numbered(cylinder: int, finding: Finding) -> Finding:
    return replace(finding, seen=f"Cylinder {cylinder}: {finding.seen}")


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
