"""Every lobe that was swept, one line each, and how the cylinders stand to each other: the first thing to read of several."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from analysis.base.quantity import Quantity
from analysis.base.words import Units, length, plus_minus, wrapped
from analysis.decision.cylinders import Spacing
from analysis.decision.decide import Cylinder, Decision
from analysis.decision.verdict import Verdict, overall
from analysis.job import Job
from analysis.lobe.result import HEADLINE_MM, Lobe
from analysis.report.sentences import WORD

WIDTH = 80


@dataclass(frozen=True)
class LobeRow:
    """One lobe, or a cylinder or lobe that could not be measured: then `why` says so, and there are no numbers.

    `duration` is at `headline_lift`, `late` against the first cylinder that has the valve (None for that one). `verdict` is of all
    that was judged of the lobe; "" if nothing was.
    """

    cylinder: int
    valve: str
    centerline: Quantity | None = None
    duration: Quantity | None = None
    lift: Quantity | None = None
    late: Spacing | None = None
    verdict: Verdict | str = ""
    why: str = ""

    @property
    def word(self) -> str:
        """The verdict as it reads."""
        return next((word for verdict, word in WORD.items() if verdict == self.verdict), "")


def headline_lift(job: Job) -> float:
    """The checking lift (mm) at which the table shows durations: the job's nearest to the usual one."""
    return min(job.measure.checking_lifts_mm, key=lambda mm: abs(mm - HEADLINE_MM))


def lobes_of(decision: Decision) -> tuple[LobeRow, ...]:
    """Every lobe of a decision with its verdict."""
    return tuple(lobe_rows(decision.job, decision.cylinders, decision.spacings, decision))


def lobe_rows(
    job: Job, cylinders: Sequence[Cylinder], spacings: Sequence[Spacing], decision: Decision | None = None
) -> Iterator[LobeRow]:
    """The rows of some cylinders; without a `decision` nothing is judged."""
    for each in cylinders:
        if each.measured is None:
            yield LobeRow(each.number, "", verdict="not compared", why=str(each.error))
            continue
        for lobe in each.measured.lobes:
            late = next((s for s in spacings if (s.cylinder, s.valve) == (each.number, lobe.valve)), None)
            verdict = "" if decision is None else _verdict(decision, each, lobe.valve, late)
            yield LobeRow(each.number, lobe.valve, lobe.centerline, _duration(job, lobe), lobe.peak_lobe_lift, late, verdict)
        for refused in each.measured.refused:
            yield LobeRow(each.number, refused.valve, verdict="not compared", why=str(refused.error))


def _duration(job: Job, lobe: Lobe) -> Quantity | None:
    at = headline_lift(job)
    return next((event.duration for event in lobe.events if event.lift_mm == at), None)


def _verdict(decision: Decision, cylinder: Cylinder, valve: str, late: Spacing | None) -> Verdict | str:
    verdicts = [line.verdict for line in cylinder.lines if line.asked.valve == valve]
    verdicts += [margin.verdict for margin in cylinder.margins if margin.valve == valve]
    verdicts += [] if late is None else [late.verdict]
    if cylinder.number == decision.job.measure.cylinder:
        verdicts += [clearance.verdict for clearance in decision.clearances if clearance.valve == valve]
    return overall(verdicts) if verdicts else ""


def lobe_table(job: Job, rows: Sequence[LobeRow], write: Callable[[str], str] = str) -> list[str]:
    """The table in plain text of at most 80 columns, and below it how late each cylinder stands. `write`: how a number is written
    (`words.one_sign` on a screen).
    """
    units = job.measure.units
    lift = length(headline_lift(job), units)
    lines = [
        f"ALL LOBES, duration at {lift} {units} {job.measure.checking_at} lift, lift at the lobe",
        f"  {'':<3}{'valve':<8}{'centerline':<20}{'duration':<15}{'lift, ' + units:<15}",
    ]
    for row in rows:
        lines += _line(row, units, write)
    return [line.rstrip() for line in lines] + list(_spacings(rows, write))


def _line(row: LobeRow, units: Units, write: Callable[[str], str]) -> list[str]:
    head = f"  {row.cylinder:>2} {row.valve:<8}"
    if row.why:
        return wrapped(f"not measured: {row.why}", WIDTH, head, " " * len(head))
    numbers = (row.centerline, row.duration, row.lift)
    texts = ["" if number is None else write(plus_minus(number, units)) for number in numbers]
    return [f"{head}{texts[0]:<20}{texts[1]:<15}{texts[2]:<15}{row.word}"]


def _spacings(rows: Sequence[LobeRow], write: Callable[[str], str]) -> Iterator[str]:
    """How late each cylinder's lobe stands: one paragraph for each valve."""
    for valve in ("intake", "exhaust"):
        late = [row.late for row in rows if row.valve == valve and row.late is not None]
        if late:
            said = ", ".join(f"cylinder {each.cylinder} {write(plus_minus(each.late))}" for each in late)
            yield from wrapped(f"{valve} against cylinder {late[0].against}, crank degrees: {said}", WIDTH, "  ", "    ")
