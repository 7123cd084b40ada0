"""What `lobetrace table` costs: processes side by side, the first row, memory, kills, a Dask cluster, questions. Prints figures only.

python -m tests.benchmarks.bench_table [processes] [memory] [kills] [cluster] [queries]
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from acquire.cli import run, table
from acquire.cli.dataset import Dataset, parts
from acquire.cli.job_files import Address, addresses
from acquire.cli.job_rows import job_rows
from acquire.cli.many import Alone
from acquire.cli.signals import Signals
from analysis.archive.rows import JobRows
from analysis.base.version import version
from tests.archived import SAMPLE, archive, tables
from tests.link.test_table_on_a_cluster import Running

CLEAN = SAMPLE.parent / "clean"
SHORT_CHUNKS = "import sys; from acquire.cli import run, table; table._MOST_JOBS = 1; sys.exit(run(sys.argv[1:]))"
QUERIES = {
    "worst lobe": "SELECT job, valve, max(abs(value - 107)) AS off FROM numbers WHERE kind = 'centerline' "
    "GROUP BY ALL ORDER BY off DESC LIMIT 5",
    "mean of every number": "SELECT path, count(*), avg(value), stddev(value) FROM numbers GROUP BY path",
    "mean profile": "SELECT deg, avg(lift_mm), stddev(lift_mm) FROM profiles GROUP BY deg",
}


def command(jobs: Path, out: Path, *more: str, code: str = "") -> subprocess.Popen[str]:
    start = ["-c", code] if code else ["-m", "acquire"]
    full = [sys.executable, *start, "table", str(jobs), "-o", str(out), "--json", *more]
    return subprocess.Popen(full, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, start_new_session=True)


def timed(process: subprocess.Popen[str], out: Path) -> tuple[float, float]:
    """Seconds until the first chunk is there, and until the end."""
    begun, first = time.perf_counter(), 0.0
    while process.poll() is None:
        if not first and parts(out, "jobs"):
            first = time.perf_counter() - begun
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.05)
    return first, time.perf_counter() - begun


def processes(made: Path, count: int = 200) -> None:
    """One process and two on the same jobs."""
    jobs = archive(made / "jobs", count, sample=CLEAN)
    begun = time.process_time()
    for job in list(addresses([str(jobs)]))[:20]:
        job_rows(job)
    print(f"a clean job: {1000 * (time.process_time() - begun) / 20:.0f} ms of processor time")
    for n in ("1", "2"):
        first, all_of_it = timed(command(jobs, made / f"t{n}", "-j", n), made / f"t{n}")
        print(f"{count} jobs with -j {n}: {all_of_it:.1f} s, first rows after {first:.1f} s, load {os.getloadavg()[0]:.1f}")
    size = sum(file.stat().st_size for file in (made / "t2").rglob("*.parquet"))
    captures = sum(file.stat().st_size for file in jobs.rglob("*.csv"))
    print(f"a job: {captures / count / 1000:.0f} kB of captures, {size / count / 1000:.1f} kB of tables")
    done = command(jobs, made / "t2", "-j", "2")
    print(f"again, with nothing left to do: {timed(done, made / 't2')[1]:.1f} s")


def _copies() -> Callable[[Address], JobRows]:
    """Rows of the clean sample under any number of keys, which cost next to nothing."""
    real = job_rows(Address(str(CLEAN), "clean"))

    def made(job: Address) -> JobRows:
        key = f"{int(job.name):032x}"
        columns = {name: {**some, "key": [key] * len(some["key"])} for name, some in real.columns.items()}
        return replace(real, key=key, columns=columns, profiles=[{**each, "key": key} for each in real.profiles])

    return made


def memory(made: Path) -> None:
    """The process that writes, with the measuring taken out: its peak with ten times as many jobs."""
    for count in (1000, 10_000):
        pid = os.fork()
        if not pid:
            table.job_rows = _copies()  # type: ignore[assignment]
            jobs = (Address("", str(n)) for n in range(count))
            begun = time.perf_counter()
            with contextlib.redirect_stderr(io.StringIO()), Signals() as signals:
                table.fill(Dataset(made / f"m{count}", version()), jobs, table.Done(count), Alone(), signals)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{count} jobs: peak {peak:.0f} MB, {1e6 * (time.perf_counter() - begun) / count:.0f} us to write one", flush=True
            )
            os._exit(0)
        os.waitpid(pid, 0)


def queries(made: Path) -> None:
    """Questions to the tables that `memory` has left."""
    if not (made / "m10000").exists():
        memory(made)
    for name, query in QUERIES.items():
        begun = time.perf_counter()
        with contextlib.redirect_stdout(io.StringIO()):
            run(["table", str(made / "m10000"), "--query", query])
        print(f"{name}: {time.perf_counter() - begun:.2f} s")
    run(["table", str(made / "m10000"), "--query", "SELECT (SELECT count(*) FROM numbers) n, (SELECT count(*) FROM profiles) p"])


def kills(made: Path, times: int = 20, count: int = 60) -> None:
    """Killed at random moments, one after the other, and then left to end."""
    jobs, out, chance, lost = archive(made / "k", count), made / "killed", random.Random(1), []
    killed = 0
    while killed < times:
        process, before = command(jobs, out, "-j", "2", code=SHORT_CHUNKS), len(parts(out, "jobs"))
        while len(parts(out, "jobs")) < min(before + 1, count) and process.poll() is None:
            time.sleep(0.01)
        time.sleep(chance.uniform(0.0, 0.15))
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        killed += 1
        keys = [row["key"] for row in tables(out)["jobs"]]
        lost.append(len(keys) - len({*keys}))
    told = json.loads(command(jobs, out, "-j", "2").communicate()[0])
    found, whole = tables(out), made / "unbroken"
    command(jobs, whole, "-j", "2").communicate()
    same = found == tables(whole)
    print(f"{killed} kills: rows twice {sum(lost)}, left for the last run {told['written']}, same tables as unbroken: {same}")


def cluster(made: Path, count: int = 200) -> None:
    """Two Dask workers and two processes on the same jobs."""
    jobs = archive(made / "c", count)
    running = Running()
    try:
        for name, more in (("pool", ("-j", "2")), ("Dask", ("--cluster", running.address))):
            first, all_of_it = timed(command(jobs, made / name, *more), made / name)
            print(f"{name}: {count} jobs in {all_of_it:.1f} s, first rows after {first:.1f} s, load {os.getloadavg()[0]:.1f}")
    finally:
        running.close()
    print(f"the same tables: {tables(made / 'pool') == tables(made / 'Dask')}")


def main() -> None:
    """Those that are named, or all."""
    parts_of_it = {each.__name__: each for each in (processes, memory, queries, kills, cluster)}
    with tempfile.TemporaryDirectory() as made:
        for name in sys.argv[1:] or parts_of_it:
            print(f"-- {name}")
            parts_of_it[name](Path(made))


if __name__ == "__main__":
    main()
