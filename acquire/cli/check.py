"""`lobetrace check`: recorded jobs in; a verdict, an exit code and results that continuous integration can read out."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter
from typing import Any

from acquire.cli import crash, say
from acquire.cli.many import crew_for, in_order
from acquire.cli.output_file import write
from acquire.cli.read_job import read_job
from acquire.cli.signals import Interrupted, Signals
from analysis.base.errors import DataError, LobetraceError
from analysis.base.finding import Finding, refused
from analysis.base.foreign import shown
from analysis.base.samples import Capture
from analysis.decision.decide import decide
from analysis.decision.refusal import causes_of_refusal
from analysis.decision.verdict import Verdict, overall
from analysis.diagnosis.examine import diagnose_captures
from analysis.job.folder import FoundJob, jobs_in
from analysis.lobe.result import Used
from analysis.lobe.result_json import captures_json
from analysis.report.decision_json import cause_json, decision_json
from analysis.report.in_doubt import told
from analysis.report.junit import Case, Suite, junit_xml
from analysis.report.lobe_table import lobe_table, lobes_of
from analysis.report.sentences import WORD, headline, requirements, story

EXIT = {"within": 0, "outside": 1}
CANNOT_TELL = 2
_INTERRUPTED = "interrupted before it was measured. Run it again"
_KILLED = "the process that measured it was killed. Run it again, with more memory"


@dataclass(frozen=True)
class Checked:
    """What one job came to. `error`: why it could not be measured, or ""; `seconds`: how long it took."""

    job: str
    verdict: Verdict
    headline: str
    cases: tuple[Case, ...]
    notes: tuple[str, ...]
    json: dict[str, Any]
    error: str = ""
    seconds: float = 0.0


def run(roots: Sequence[Path], as_json: bool, junit: Path | None, *, processes: int | None = None, force: bool = False) -> int:
    """Check the jobs that `roots` name; the exit code: 0 all within, 1 any outside, else 2.

    Each is told as it is done, in order. Interrupted, the results are complete all the same, with what was not measured as such, and
    the code is 128 and the signal's number, as a shell has it.
    """
    if junit is not None:
        write(junit, junit_xml([]).encode("utf-8"), force=force)  # refused before the work; and no older result is taken for this
    verdicts: list[Verdict] = []
    suites: list[Suite] = []
    interrupted = 0
    told = say.Growing("check", "jobs", as_json)
    found: list[FoundJob] = []
    with Signals() as signals:

        def take(job: FoundJob, done: Checked) -> None:
            verdicts.append(done.verdict)
            suites.append(_suite(job.name, done))
            told.add(done.json, _text(done))

        try:
            with signals.waiting():
                found = list(jobs_in(roots))
            with crew_for(len(found), processes) as crew:
                for job, done in in_order(check, found, crew, signals):
                    take(job, done or _unmeasured(str(job.path), _KILLED))
        except Interrupted as signalled:
            interrupted = signalled.number
        finished = len(verdicts)
        for job in found[finished:]:
            take(job, _unmeasured(str(job.path), _INTERRUPTED))
        verdict = overall(verdicts)
        told.end({"verdict": verdict}, _counted(verdicts))
        if junit is not None:
            write(junit, junit_xml(suites).encode("utf-8"), force=force)
    if interrupted:
        say.person(f"Interrupted: {finished} of {len(verdicts)} jobs were finished and written.")
        return crash.Signalled(128 + interrupted)
    return EXIT.get(verdict, CANNOT_TELL)


def _counted(verdicts: Sequence[Verdict]) -> str:
    """How many jobs came to what, where there are several."""
    words = [WORD[verdict] for verdict in verdicts]
    count = ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(WORD.values()) if word in words)
    return f"{len(words)} jobs: {count}" if len(words) > 1 else ""


def check(job: FoundJob, clock: Callable[[], float] = perf_counter) -> Checked:
    """One job. Whatever keeps it from being measured is part of the answer, not an error; so is a failure of our own."""
    begun = clock()
    try:
        done = _checked(job.path)
    except Exception as error:
        done = _unmeasured(str(job.path), crash.told(error, f"at {shown(job.path)}"))
    return replace(done, seconds=clock() - begun)


def _checked(job_path: Path) -> Checked:
    name = str(job_path)
    try:
        job, captures = read_job(job_path)
    except LobetraceError as error:
        return _unmeasured(name, str(error))
    try:
        decision = decide(job, captures)
    except DataError as error:
        found = (refused(error), *diagnose_captures(job, captures), *causes_of_refusal(job, captures, error))
        return _unmeasured(name, str(error), found, captures)
    alone = None if decision.others else decision.job.measure.cylinder
    cases = tuple(_case(*each, alone) for each in requirements(decision))
    evidence = [f"Evidence: {finding.seen}" for finding in decision.causes.findings[:1]]
    warnings = [told(finding) for finding in decision.findings if finding not in decision.causes.findings]
    text = {"job": name, "verdict": decision.verdict, "error": None, "decision": decision_json(decision)}
    table = lobe_table(job, lobes_of(decision)) if decision.others else []
    return Checked(name, decision.verdict, headline(decision), cases, (*story(decision), *table, *evidence, *warnings), text)


def _case(name: str, verdict: Verdict, text: str, alone: int | None) -> Case:
    """A requirement. Of several cylinders its name begins with the one that it is about; else all are about the one `alone`."""
    of = re.fullmatch(r"cylinder (\d+), (.*)", name)
    return Case(of[2], verdict, text, int(of[1])) if of else Case(name, verdict, text, alone)


def _unmeasured(name: str, error: str, findings: Sequence[Finding] = (), captures: Sequence[Capture] = ()) -> Checked:
    """A job without a number: a refusal, what may have caused it, and who recorded the captures that were read."""
    tree = {
        "job": name,
        "verdict": "cannot tell",
        "error": error,
        "findings": [cause_json(finding) for finding in findings],
        "captures": captures_json(Used.of(capture) for capture in captures),
        "decision": None,
    }
    likely = tuple(f"Likely cause: {finding.cause} {finding.seen}" for finding in findings if finding.cause)
    case = Case("measurement", "not compared", error)
    return Checked(name, "cannot tell", f"Not measured: {error}", (case,), likely, tree, error)


def _suite(name: str, done: Checked) -> Suite:
    """The job for a reader who counts cases: one that is not within has a case that says so, also where every line of it is."""
    cases = done.cases
    if done.verdict != "within" and all(case.verdict == "within" for case in cases):
        cases += (Case("verdict", done.verdict, done.notes[0] if done.notes else done.headline),)
    return Suite(name, cases, done.notes, done.seconds)


def _text(done: Checked) -> str:
    """The verdict, what is not within, and what to do: for people."""
    lines = [f"{shown(done.job)}: {done.headline}"]
    not_within = () if done.error else done.cases
    several = len({case.cylinder for case in done.cases}) > 1
    for case in not_within:
        if case.verdict != "within":
            of = f"cylinder {case.cylinder}, " if several and case.cylinder is not None else ""
            lines.append(f"  {WORD[case.verdict]:<16} {of}{case.name}: {case.text}")
    lines += [f"  {note}" for note in done.notes]
    return "\n".join(lines)
