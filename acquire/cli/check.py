"""`lobetrace check`: recorded jobs in; a verdict, an exit code and results that continuous integration can read out."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_all_start_methods, get_context, parent_process
from multiprocessing.connection import wait
from multiprocessing.context import BaseContext
from pathlib import Path
from threading import Thread, current_thread, main_thread
from types import FrameType
from typing import Any

from acquire.cli import crash, say
from acquire.cli.output_file import write
from analysis.base.errors import DataError, LobetraceError
from analysis.base.finding import Finding, refused
from analysis.base.foreign import shown
from analysis.capture import load
from analysis.decision.decide import decide
from analysis.decision.refusal import causes_of_refusal
from analysis.decision.verdict import Verdict, overall
from analysis.diagnosis.examine import diagnose_captures
from analysis.job import load_job
from analysis.job.folder import captures_in
from analysis.report.decision_json import cause_json, decision_json
from analysis.report.in_doubt import told
from analysis.report.junit import Case, Suite, junit_xml
from analysis.report.lobes import lobe_table, lobes_of
from analysis.report.sentences import WORD, headline, requirements, story

EXIT = {"within": 0, "outside": 1}
CANNOT_TELL = 2
_ALONE = 4  # so few jobs are quicker one after the other than with processes of their own


@dataclass(frozen=True)
class Checked:
    """What one job came to. `error`: why it could not be measured, or ""."""

    job: str
    verdict: Verdict
    headline: str
    cases: tuple[Case, ...]
    notes: tuple[str, ...]
    json: dict[str, Any]
    error: str = ""


def run(jobs: Sequence[Path], as_json: bool, junit: Path | None, *, force: bool = False) -> int:
    """Check the jobs; the exit code: 0 all within, 1 any outside, else 2. Interrupted, what is finished is written all the same, and
    the code is 128 and the signal's number, as a shell has it.
    """
    done: list[Checked] = []
    interrupted = 0
    try:
        _all(jobs, done)
    except Interrupted as signalled:
        interrupted = signalled.number
        done += [_unmeasured(str(job), "interrupted before it was measured. Run it again") for job in jobs[len(done) :]]
    verdict = overall(each.verdict for each in done)
    if as_json:
        say.result_json({"schema": 1, "verdict": verdict, "jobs": [each.json for each in done]})
    else:
        for each in done:
            say.result(_text(each))
        if len(done) > 1:
            verdicts = [WORD[each.verdict] for each in done]
            count = ", ".join(f"{verdicts.count(word)} {word}" for word in dict.fromkeys(WORD.values()) if word in verdicts)
            say.result(f"{len(done)} jobs: {count}")
    if junit is not None:
        write(junit, junit_xml([_suite(each) for each in done]).encode("utf-8"), force=force)
    if interrupted:
        finished = sum("interrupted before" not in each.error for each in done)
        say.person(f"Interrupted: {finished} of {len(done)} jobs were finished and written.")
        return crash.Signalled(128 + interrupted)
    return EXIT.get(verdict, CANNOT_TELL)


def check(job_path: Path) -> Checked:
    """One job. Whatever keeps it from being measured is part of the answer, not an error; so is a failure of our own."""
    try:
        return _checked(job_path)
    except Exception as error:
        return _unmeasured(str(job_path), crash.told(error, f"at {shown(job_path)}"))


def _checked(job_path: Path) -> Checked:
    name = str(job_path)
    try:
        job = load_job(job_path)
        captures = [load(file) for file in captures_in(job_path)]
    except LobetraceError as error:
        return _unmeasured(name, str(error))
    try:
        decision = decide(job, captures)
    except DataError as error:
        found = (refused(error), *diagnose_captures(job, captures), *causes_of_refusal(job, captures, error))
        return _unmeasured(name, str(error), found)
    cases = tuple(Case(*each) for each in requirements(decision))
    evidence = [f"Evidence: {finding.seen}" for finding in decision.causes.findings[:1]]
    warnings = [told(finding) for finding in decision.findings if finding not in decision.causes.findings]
    text = {"job": name, "verdict": decision.verdict, "error": None, "decision": decision_json(decision)}
    table = lobe_table(job, lobes_of(decision)) if decision.others else []
    return Checked(name, decision.verdict, headline(decision), cases, (*story(decision), *table, *evidence, *warnings), text)


def _unmeasured(name: str, error: str, findings: Sequence[Finding] = ()) -> Checked:
    """A job without a number: a refusal, and what may have caused it."""
    tree = {
        "job": name,
        "verdict": "cannot tell",
        "error": error,
        "findings": [cause_json(finding) for finding in findings],
        "decision": None,
    }
    likely = tuple(f"Likely cause: {finding.cause} {finding.seen}" for finding in findings if finding.cause)
    case = Case("measurement", "not compared", error)
    return Checked(name, "cannot tell", f"Not measured: {error}", (case,), likely, tree, error)


def _all(jobs: Sequence[Path], done: list[Checked]) -> None:
    """Adds to `done` what each comes to, in order. Interrupted by Ctrl-C or SIGTERM, after the workers have ended."""
    if len(jobs) < _ALONE:
        with interruptible():
            for job in jobs:
                done.append(check(job))  # noqa: PERF401 - what is finished must be there when a signal breaks in
        return
    workers = min(os.cpu_count() or 1, len(jobs))
    with _one_thread_each(), ProcessPoolExecutor(workers, mp_context=_context(), initializer=_end_with_parent) as pool:
        try:
            with _held():  # a worker that begins in an interrupted one's place would complain of it
                found = [pool.submit(check, job) for job in jobs]
            with interruptible():
                for job, future in zip(jobs, found, strict=True):
                    done.append(_result(job, future))
        except BaseException:
            processes = list((pool._processes or {}).values())  # there is no public way before Python 3.14
            pool.shutdown(wait=False, cancel_futures=True)
            for process in processes:
                process.kill()  # a worker holds nothing that it would have to put away
            raise


def _result(job: Path, future: Future[Checked]) -> Checked:
    try:
        return future.result()
    except BrokenExecutor:  # killed from outside, or out of memory
        return _unmeasured(str(job), "the process that measured it was killed. Run it again, with more memory")


def _end_with_parent() -> None:
    """In a worker: end when the process that asks for the work is gone, which a kill keeps from saying so."""
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    Thread(target=watch, daemon=True).start()


class Interrupted(BaseException):
    """SIGINT or SIGTERM came; `number` is the signal's. No error, which whoever works on a job would take for one of its own."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@contextmanager
def interruptible() -> Iterator[None]:
    """SIGINT and SIGTERM break in as `Interrupted`, so that what is finished can still be written."""

    def answer(number: int, _frame: FrameType | None) -> None:
        raise Interrupted(number)

    with _on(signal.SIGINT, answer), _on(signal.SIGTERM, answer):
        yield


def _context() -> BaseContext:
    """Workers come from a server that has imported everything once, where there is such a thing; else each imports for itself."""
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    from multiprocessing import forkserver

    context = get_context("forkserver")
    context.set_forkserver_preload([__name__])
    with _deaf():
        forkserver.ensure_running()
    return context


@contextmanager
def _deaf() -> Iterator[None]:
    """What starts meanwhile does not hear Ctrl-C, which a terminal sends to every process: this one answers it for all."""
    with _on(signal.SIGINT, signal.SIG_IGN):
        yield


@contextmanager
def _held() -> Iterator[None]:
    """SIGINT and SIGTERM are answered at the end of it."""
    heard: list[int] = []
    with (
        _on(signal.SIGINT, lambda number, _frame: heard.append(number)),
        _on(signal.SIGTERM, lambda number, _frame: heard.append(number)),
    ):
        yield
    if heard:
        raise Interrupted(heard[0])


@contextmanager
def _on(number: signal.Signals, answer: Callable[[int, FrameType | None], object] | signal.Handlers) -> Iterator[None]:
    if current_thread() is not main_thread() or signal.getsignal(number) == signal.SIG_IGN:  # there it cannot, or must not be set
        yield
        return
    before = signal.signal(number, answer)
    try:
        yield
    finally:
        signal.signal(number, before)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """The linear algebra of each worker keeps to one thread: many small problems, as many workers as processors."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update({name: value or "1" for name, value in before.items()})
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]


def _suite(done: Checked) -> Suite:
    """The job for a reader who counts cases: one that is not within has a case that says so, also where every line of it is."""
    cases = done.cases
    if done.verdict != "within" and all(case.verdict == "within" for case in cases):
        cases += (Case("verdict", done.verdict, done.notes[0] if done.notes else done.headline),)
    return Suite(done.job, cases, done.notes)


def _text(done: Checked) -> str:
    """The verdict, what is not within, and what to do: for people."""
    lines = [f"{shown(done.job)}: {done.headline}"]
    not_within = () if done.error else done.cases
    lines += [f"  {WORD[case.verdict]:<16} {case.name}: {case.text}" for case in not_within if case.verdict != "within"]
    lines += [f"  {note}" for note in done.notes]
    return "\n".join(lines)
