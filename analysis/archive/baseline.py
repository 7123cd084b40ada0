"""The numbers of recorded jobs as they once were, and what differs from them now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

from analysis.archive.rows import JobRows
from analysis.archive.tables import ERRORS, FINDINGS, JOBS, NUMBERS
from analysis.base.samples import Identity

Entry = Mapping[str, Any]


@dataclass(frozen=True)
class Limits:
    """What counts as the same, in shares of a number's 95 % expanded uncertainty: how far it may have `moved` (and how much that
    uncertainty may have changed), and how far from what is known to be `true` it may lie.
    """

    moved: float = 0.1
    true: float = 1.0


@dataclass(frozen=True)
class Difference:
    """Something that is not as it was. `share`: by how much of the uncertainty, where it is a number that moved."""

    job: str
    what: str
    said: str
    before: float | None = None
    now: float | None = None
    share: float | None = None


def entry_of(rows: JobRows, old: Entry | None = None) -> dict[str, Any]:
    """What a baseline holds of a job: who measured what and when, its numbers by cylinder and path, the codes of its findings, and
    what kept it from being measured.

    What an `old` entry says is true of a number is kept.
    """
    columns = {name: rows.columns.get(name, {}) for name in (JOBS, NUMBERS, FINDINGS, ERRORS)}
    own = {name: next(iter(values), None) or "" for name, values in columns[JOBS].items()}
    numbers = columns[NUMBERS]
    names = [f"{cylinder} {path}" for cylinder, path in zip(numbers.get("cylinder", ()), numbers.get("path", ()), strict=True)]
    known = {name: number["true"] for name, number in (old or {}).get("numbers", {}).items() if "true" in number}
    found = zip(names, numbers.get("value", ()), numbers.get("u95", ()), numbers.get("doubts", ()), strict=True)
    return {
        "identity": {each.name: own.get(each.name, "") for each in fields(Identity)},
        "engine": own.get("engine", ""),
        "started": own.get("started", ""),
        "numbers": {
            name: {"value": value, "u95": u95, **_given("doubts", doubts), **_given("true", known.get(name))}
            for name, value, u95, doubts in found
        },
        "findings": list(columns[FINDINGS].get("code", ())),
        "errors": list(columns[ERRORS].get("error", ())),
    }


def _given(name: str, value: Any) -> dict[str, Any]:
    return {} if value is None else {name: value}


def differences(job: str, before: Entry | None, now: Entry | None, limits: Limits) -> Iterator[Difference]:
    """What is not as it was of one job; `before` is None if it is new, `now` if it is gone."""
    if before is None or now is None:
        yield Difference(job, "job", "was not found" if now is None else "is not in the baseline")
        return
    for what in ("findings", "errors"):
        was, has = Counter[str](before[what]), Counter[str](now[what])
        yield from (Difference(job, what, f"no longer: {each}") for each in was - has)
        yield from (Difference(job, what, f"new: {each}") for each in has - was)
    numbers = {**before["numbers"], **now["numbers"]}
    for name in numbers:
        yield from _of_number(job, name, before["numbers"].get(name), now["numbers"].get(name), limits)


def _of_number(job: str, name: str, before: Entry | None, now: Entry | None, limits: Limits) -> Iterator[Difference]:
    if before is None or now is None:
        said = "is no longer measured" if now is None else "was not measured"
        yield Difference(job, name, said, *(None if each is None else each["value"] for each in (before, now)))
        return
    was, has, unit = (float("nan") if each is None else each for each in (before["value"], now["value"], before["u95"]))
    moved = _share(has - was, unit)
    if not moved <= limits.moved:  # not a number, once or now
        yield Difference(job, name, "moved", was, has, moved)
    widened = _share(now["u95"] - unit, unit)
    if widened > limits.moved:
        yield Difference(job, name, "has another uncertainty", unit, now["u95"], widened)
    if "true" in before and "doubts" not in now:  # what is in doubt is not promised to be true
        off = _share(has - before["true"], now["u95"])
        if off > limits.true:
            yield Difference(job, name, "is further from what is true than its uncertainty", before["true"], has, off)


def _share(by: float, of: float) -> float:
    return abs(by) / of if of > 0 else 0.0 if by == 0 else float("inf")
