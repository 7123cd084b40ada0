"""`lobetrace table`: every job of an archive as rows of a few tables; and questions put to them in SQL."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from time import monotonic
from typing import Final

from acquire.cli import crash, say
from acquire.cli.dataset import FILES, Dataset, head_of, remove, write_file
from acquire.cli.extra import needed
from acquire.cli.job_files import Address, addresses
from acquire.cli.job_rows import job_keys, job_rows
from acquire.cli.many import Crew, crew_for, in_order
from acquire.cli.output_file import may_write
from acquire.cli.signals import Interrupted, Signals
from acquire.cli.status_line import LiveLine
from analysis.archive.rows import JobRows
from analysis.archive.tables import NUMBERS
from analysis.base.errors import LinkError, UsageError
from analysis.base.foreign import shown
from analysis.base.version import version

CANNOT_TELL: Final = 2
_MOST_JOBS: Final = 500  # in a chunk
_FIRST_S, _EVERY_S, _PLAIN_S = 1.0, 20.0, 10.0  # of a chunk, the first one and others; of a plain line
_KEYS_AT_ONCE: Final = 32  # jobs whose keys are worked out in one go
_KILLED: Final = "the process that measured it was killed: give it more memory"


@dataclass
class Done:
    """How far it has come. `passed`: jobs that stood in the table already, or are copies of others; `unread` could not be read."""

    total: int
    written: int = 0
    broken: int = 0
    passed: int = 0
    unread: list[str] = field(default_factory=list)

    @property
    def jobs(self) -> int:
        """Those dealt with."""
        return self.written + self.passed + len(self.unread)


def run(
    roots: Sequence[str],
    out: Path | None,
    query: str,
    as_json: bool,
    *,
    processes: int | None = None,
    cluster: str = "",
    force: bool = False,
) -> int:
    """Fill the tables in the folder or the file `out`, or put a `query` to those in the first of `roots`.

    The exit code: 0; 2 if a job could not be read, which is told and taken up again next time; interrupted, 128 and the signal's
    number, and the same command goes on from there. A job that cannot be measured is a row in the table of errors.
    """
    if query:
        from acquire.cli import query as asking

        return asking.run([Path(root) for root in roots], query, out, as_json, force=force)
    if out is None:
        raise UsageError("it is not said where to", do="Add -o FOLDER, or -o FILE.csv, .parquet or .arrow")
    needed("pyarrow", "tables")
    if out.suffix[1:].isalpha() and out.suffix not in FILES and not out.is_dir():
        raise UsageError(f"{out.suffix} is no table", where=str(out), do="Name a folder, or a .csv, .parquet or .arrow file")
    folder = out
    if out.suffix in FILES:
        may_write(out, head_of(out), force=force)
        folder = out.with_name(f"{out.name}.parts")
    with Signals() as signals:
        try:
            with signals.waiting():
                total = sum(1 for _ in addresses(roots))
            with _crew(total, processes, cluster) as crew:
                done = fill(Dataset(folder, version()), addresses(roots), Done(total), crew, signals)
            code = CANNOT_TELL if done.unread else 0
        except Interrupted as signalled:
            done, code = Done(0), crash.Signalled(128 + signalled.number)
        except Stopped as stopped:
            done, code = stopped.done, crash.Signalled(128 + stopped.number)
        if folder != out and not isinstance(code, crash.Signalled):
            write_file(out, folder, version(), force=force)
            if not done.unread:  # else the next run goes on from it
                remove(folder)
    _tell(done, out, code, as_json)
    return code


class Stopped(BaseException):
    """A signal ended the work after what was finished had been written."""

    def __init__(self, number: int, done: Done) -> None:
        super().__init__(number)
        self.number, self.done = number, done


def _crew(total: int, processes: int | None, cluster: str) -> Crew:
    if not cluster:
        return crew_for(total, processes)
    from acquire.cli.cluster import Cluster

    return Cluster(cluster)


def fill(
    dataset: Dataset,
    jobs: Iterator[Address],
    done: Done,
    crew: Crew,
    signals: Signals,
    clock: Callable[[], float] = monotonic,
) -> Done:
    """Write what is not there yet, chunk by chunk. Raises Stopped for a signal, with all that was finished written."""
    known = {bytes.fromhex(key) for key in dataset.keys()}  # noqa: SIM118 - no mapping
    line = LiveLine(sys.stderr, clock, _PLAIN_S)
    begun = clock()
    due = begun + _FIRST_S
    chunk: list[JobRows] = []

    def write() -> None:
        dataset.write(chunk)
        chunk.clear()

    try:
        for job, rows in in_order(job_rows, _left(jobs, known, done, crew, signals), crew, signals):
            if rows is None or rows.unread:
                done.unread.append(f"{job.name}: {rows.unread if rows else _KILLED}")
            elif _is_new(rows, known):
                chunk.append(rows)
                done.written += 1
                done.broken += NUMBERS not in rows.columns
            else:
                done.passed += 1
            if len(chunk) >= _MOST_JOBS or clock() >= due:
                write()
                due = clock() + _EVERY_S
            line.show(lambda: progress(done, clock() - begun))
        write()
    except Interrupted as signalled:
        write()
        raise Stopped(signalled.number, done) from None
    except LinkError:
        write()
        raise
    finally:
        line.show(lambda: progress(done, clock() - begun), now=True)
        line.end()
    return done


def _left(jobs: Iterator[Address], known: set[bytes], done: Done, crew: Crew, signals: Signals) -> Iterator[Address]:
    """The jobs that are not in the table yet. Where there is none in it, nothing needs to be looked at."""
    if not known:
        yield from jobs
        return
    batches = iter(lambda: tuple(islice(jobs, _KEYS_AT_ONCE)), ())
    for some, keys in in_order(job_keys, batches, crew, signals):
        for job, key in zip(some, keys or [""] * len(some), strict=True):
            if key and bytes.fromhex(key) in known:
                done.passed += 1
            else:
                yield job


def _is_new(rows: JobRows, known: set[bytes]) -> bool:
    if rows.version != version():
        do = "Install the same lobetrace there as here"
        raise UsageError(f"a worker has lobetrace {rows.version}, and this is {version()}", where=rows.job, do=do)
    key = bytes.fromhex(rows.key)
    if key in known:
        return False
    known.add(key)
    return True


def progress(done: Done, seconds: float) -> str:
    """A bar, how many, how fast, how long to go: in at most 79 columns."""
    share = done.jobs / done.total if done.total else 1.0
    bar = f"[{'#' * int(20 * share):<20}]"
    rate = (done.written + len(done.unread)) / seconds if seconds > 0 else 0.0
    left = f", {_time((done.total - done.jobs) / rate)} left" if rate else ""
    broken = f", {done.broken} not measured" if done.broken else ""
    return f"{bar} {done.jobs} of {done.total} jobs, {rate:.1f} a second{left}{broken}"


def _time(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _tell(done: Done, out: Path, code: int, as_json: bool) -> None:
    for unread in done.unread:
        say.person(f"! {shown(unread)}")
    counts = {"jobs": done.total, "written": done.written, "not_measured": done.broken, "there_already": done.passed}
    if as_json:
        say.result_json({"out": str(out), **counts, "not_read": done.unread}, "table")
        return
    parts = [f"{done.written} written"]
    parts += [f"{done.broken} of them not measured, see the table errors"] if done.broken else []
    parts += [f"{done.passed} there already"] if done.passed else []
    parts += [f"{len(done.unread)} could not be read"] if done.unread else []
    say.result(f"{say.quoted(out)}: {done.total} jobs, {', '.join(parts)}.")
    if isinstance(code, crash.Signalled):
        say.person("Interrupted: what was finished is written. The same command goes on from there.")
