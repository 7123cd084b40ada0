"""`lobetrace verify`: the same captures give the same numbers as they did, in a later version or on another machine."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from acquire.cli import crash, say
from acquire.cli.job_files import addresses
from acquire.cli.job_rows import job_rows
from acquire.cli.many import crew_for, in_order
from acquire.cli.output_file import write
from acquire.cli.signals import Interrupted, Signals
from analysis.archive.baseline import Difference, Limits, differences, entry_of
from analysis.base.errors import CaptureError, UsageError
from analysis.base.foreign import shown
from analysis.base.regular import open_regular

DIFFERS: Final = 1
_KILLED: Final = "the process that measured it was killed. Run it again, with more memory"


def run(
    roots: Sequence[str],
    baseline: Path,
    limits: Limits,
    as_json: bool,
    *,
    update: bool = False,
    processes: int | None = None,
) -> int:
    """Hold jobs against the baseline; with `update` write what they come to into it. 0: the same, or written; 1: something differs.

    Raises CaptureError if a job cannot be read, and UsageError if there is no baseline that could be.
    """
    old = _read(baseline, update)
    with Signals() as signals:
        try:
            with signals.waiting():
                jobs = list(addresses(roots))
            with crew_for(len(jobs), processes) as crew:
                found = {job.name: rows for job, rows in in_order(job_rows, jobs, crew, signals)}
        except Interrupted as signalled:
            say.person("Interrupted: nothing was compared or written.")
            return crash.Signalled(128 + signalled.number)
    for name, rows in found.items():
        if rows is None or rows.unread:
            raise CaptureError(rows.unread if rows else _KILLED, where=name)
    new = {name: entry_of(rows, old.get(name)) for name, rows in found.items() if rows is not None}
    gone = [name for name in old if name not in new and _below(name, roots)]
    differ = [each for name in (*new, *gone) for each in differences(name, old.get(name), new.get(name), limits)]
    if update:
        kept = {name: entry for name, entry in old.items() if name not in gone} | new
        write(baseline, say.json_file({"jobs": kept}, "baseline"), force=True)  # what is there is a baseline, or nothing
    _tell(differ, new, baseline, as_json, update)
    return DIFFERS if differ and not update else 0


def _below(name: str, roots: Sequence[str]) -> bool:
    """Whether a job that is gone lay below one of the roots, as names go: from the current directory, or from beside the root."""
    here = Path.cwd()
    for root in (Path(os.path.abspath(root)) for root in roots):
        inside = (
            "" if root == here else f"{(root.relative_to(here) if root.is_relative_to(here) else Path(root.name)).as_posix()}/"
        )
        if name.startswith(inside):
            return True
    return False


def _read(path: Path, may_be_new: bool) -> dict[str, Any]:
    try:
        with open_regular(path) as file:
            jobs = json.loads(file.read())["jobs"]
        if not all(_is_entry(entry) for entry in jobs.values()):
            raise ValueError
    except FileNotFoundError:
        if may_be_new:
            return {}
        raise UsageError("there is no baseline", where=str(path), do="Write one: add --update") from None
    except OSError as error:
        raise UsageError(f"it cannot be read ({error.strerror})", where=str(path), do="Check that you may read it") from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise UsageError("it is no baseline of lobetrace", where=str(path), do="Write one elsewhere: add --update") from None
    return dict(jobs)


def _is_entry(entry: Any) -> bool:
    """Whether it has the shape of a job in a baseline."""
    texts = all(isinstance(each, str) for name in ("findings", "errors") for each in entry[name])
    numbers = [number.get(name) for number in entry["numbers"].values() for name in ("value", "u95", "true")]
    return texts and all(isinstance(each, float | int | None) for each in numbers)


def _tell(differ: Sequence[Difference], new: dict[str, Any], baseline: Path, as_json: bool, updated: bool) -> None:
    if as_json:
        found = [{**asdict(each), "share": _finite(each.share)} for each in differ]
        say.result_json({"same": not differ, "updated": updated, "jobs": len(new), "differences": found}, "verify")
        return
    numbers = sum(len(entry["numbers"]) for entry in new.values())
    for job in dict.fromkeys(each.job for each in differ):
        say.result(f"{shown(job)}:")
        for each in (each for each in differ if each.job == job):
            say.result(_line(each))
    count = f"{len(new)} job{'s' if len(new) > 1 else ''}, {numbers} numbers"
    same = "the same as in" if not differ else f"{len(differ)} difference{'s' if len(differ) > 1 else ''} from"
    say.result(f"{count}: {same} {say.quoted(baseline)}{', which is written anew' if updated else ''}.")


def _line(each: Difference) -> str:
    numbers = " ".join("" if value is None else f"{value:>12.6g}" for value in (each.before, each.now))
    share = "" if each.share is None else f" by {each.share:.2f} of its uncertainty"
    return f"  {shown(each.what):<34}{numbers:>26}  {shown(each.said)}{share}".rstrip()


def _finite(share: float | None) -> float | None:
    return None if share is None or share == float("inf") else share
