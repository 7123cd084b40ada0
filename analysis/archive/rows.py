"""What one job adds to the tables of an archive: numbers with their uncertainty, lines of the cam card, findings, profiles,
errors.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.archive.tables import ERRORS, FINDINGS, JOBS, LINES, NUMBERS, TABLES
from analysis.base.finding import Finding, doubts, in_order
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.decision.clearance import PistonClearance
from analysis.decision.cylinders import Spacing
from analysis.decision.decide import Cylinder, Decision
from analysis.decision.spring import Margin
from analysis.decision.verdict import Line
from analysis.job import Job
from analysis.lobe.result import Entry, Lobe, Measurement
from analysis.report.sentences import headline, line_name, said_verdict

Row = dict[str, Any]
Judged = Line | PistonClearance | Margin | Spacing
_KEY_DIGITS = 32


@dataclass(frozen=True)
class JobRows:
    """What a job adds: the columns of its rows by table, and whole `profiles` as arrays. `key` names its content.

    `unread`: why it could not even be read, which may be otherwise tomorrow; then there is nothing else.
    """

    job: str
    version: str
    key: str = ""
    columns: Mapping[str, Mapping[str, Sequence[Any]]] = field(default_factory=dict)
    profiles: Sequence[Row] = ()
    unread: str = ""


def job_key(job_toml: bytes, captures: Iterable[bytes]) -> str:
    """A job's content as a digest: of its job file, and of every capture in order. With one version of lobetrace its rows follow from
    that: a copy of a job, or one that was moved, has the same key.
    """
    whole = hashlib.sha256()
    for data in (job_toml, *captures):
        whole.update(hashlib.sha256(data).digest())
    return whole.hexdigest()[:_KEY_DIGITS]


def as_columns(rows: Mapping[str, Sequence[Row]]) -> dict[str, dict[str, list[Any]]]:
    """Rows by table as the columns of each. What a row does not say is missing, and so is empty text."""
    return {
        table: {name: [_cell(row.get(name)) for row in some] for name in TABLES[table]} for table, some in rows.items() if some
    }


def _cell(value: Any) -> Any:
    """Text without halves of surrogate pairs, which no table holds."""
    return value.encode("utf-8", "replace").decode() or None if isinstance(value, str) else value


def identity(key: str, name: str, job: Job | None = None, captures: Sequence[Capture] = ()) -> Row:
    """The columns that say whose job it is."""
    known = vars(job.identity) if job else {}
    started = min((c.header.started for c in captures if c.header.started), default="")
    engine = job.engine.name if job else ""
    return {"key": key, "job": name, "started": started, "engine": engine, **known}


def measured_rows(own: Row, captures: int, decision: Decision) -> dict[str, list[Row]]:
    """The rows of a job with numbers, cylinder by cylinder. `own`: its `identity`."""
    at = decision.job.measure.checking_at
    measured = [(each.number, each.measured) for each in decision.cylinders if each.measured]
    return {
        JOBS: [{**own, "captures": captures, "verdict": decision.verdict, "said": headline(decision)}],
        NUMBERS: [{**own, "cylinder": number, **row} for number, found in measured for row in _numbers(found, at)],
        LINES: [{**own, **row} for row in _lines(decision)],
        FINDINGS: [_finding(own, finding, number) for number, finding in _findings(decision)],
        ERRORS: [{**own, **row} for each in decision.cylinders for row in _errors(each)],
    }


def _findings(decision: Decision) -> Iterator[tuple[int, Finding]]:
    first, *others = decision.cylinders
    yield from ((first.number, finding) for finding in in_order((*first.findings, *decision.own_findings)))
    yield from ((each.number, finding) for each in others for finding in in_order(each.findings))


def _errors(cylinder: Cylinder) -> Iterator[Row]:
    """Why a cylinder, or a lobe of it, has no number."""
    if cylinder.error is not None:
        yield {"cylinder": cylinder.number, "error": str(cylinder.error)}
    for refused in cylinder.measured.refused if cylinder.measured else ():
        yield {"cylinder": cylinder.number, "valve": refused.valve, "error": str(refused.error)}


def broken_rows(own: Row, captures: int, error: str, findings: Sequence[Finding] = ()) -> dict[str, list[Row]]:
    """The rows of a job that has no number: why, and what was seen."""
    return {
        JOBS: [{**own, "captures": captures, "verdict": "cannot tell", "said": f"Not measured: {error}"}],
        FINDINGS: [_finding(own, each, None) for each in findings],
        ERRORS: [{**own, "error": error}],
    }


def profiles(key: str, decision: Decision) -> list[Row]:
    """Lift over crank angle at the indicator, and its standard error from scatter, a whole degree a row: arrays of one length."""
    return [_profile(key, lobe) for each in decision.cylinders if each.measured for lobe in each.measured.lobes]


def _profile(key: str, lobe: Lobe) -> Row:
    curve = lobe.curve
    deg = np.arange(np.ceil(curve.low), np.floor(curve.high) + 1)
    fine = {"deg": deg, "lift_mm": curve(deg), "u_lift_mm": curve.error(deg)}
    return {"key": key, "cylinder": lobe.cylinder, "valve": lobe.valve} | {k: v.astype(np.float32) for k, v in fine.items()}


def _numbers(measured: Measurement, at: str) -> Iterator[Row]:
    for entry in measured.entries():
        yield {
            "valve": entry.valve,
            "kind": entry.kind,
            "lift_mm": entry.lift_mm,
            "at": at if entry.lift_mm is not None else "",
            "path": entry.path,
            **_number(entry.quantity),
            "unit": entry.quantity.unit,
            "doubts": _codes(doubts(measured.findings, _rests_on(entry))),
        }


def _rests_on(entry: Entry) -> tuple[str, ...]:
    """What a finding may touch to make the number doubtful: an angle that is read from a dead center rests on TDC."""
    path = entry.path
    if path == "cam.overlap":
        return path, "intake.events.opens", "exhaust.events.closes"
    if path.startswith("cam."):
        centers = (path, "intake.centerline", "exhaust.centerline")
        return centers if path == "cam.separation" else (*centers, "tdc")
    return (path, "tdc") if entry.quantity.place else (path,)


def _lines(decision: Decision) -> Iterator[Row]:
    """Every requirement, cylinder by cylinder, those of the cam card first; then what is about several."""
    for cylinder in decision.cylinders:
        gaps = decision.clearances if cylinder.number == decision.job.measure.cylinder else ()
        judged: tuple[Judged, ...] = (*cylinder.lines, *gaps, *cylinder.margins)
        yield from ({"cylinder": cylinder.number, **_requirement(each, decision.job)} for each in judged)
    yield from ({"cylinder": each.cylinder, **_requirement(each, decision.job)} for each in decision.spacings)


def _requirement(each: Judged, job: Job) -> Row:
    """Its name, its numbers and its verdict."""
    return {**_judged(each, job), "verdict": said_verdict(each)}


def _judged(each: Judged, job: Job) -> Row:
    """The name and the numbers of a requirement."""
    match each:
        case Line(asked=asked):
            place = {"valve": asked.valve, "kind": asked.kind, "lift_mm": asked.lift_mm or None, "at": asked.at}
            unit = "mm" if asked.is_length else "cam deg" if asked.kind == "separation" else "deg"
            card = {"line": line_name(asked, job.measure.units), "specified": asked.value, "tolerance": asked.tolerance}
            return {**place, **card, "unit": unit, **_number(each.measured)}
        case PistonClearance():
            return _plain(each.valve, "piston clearance", each.least, "mm")
        case Margin():
            return _plain(each.valve, each.kind, each.measured, "mm")
        case Spacing():
            return _plain(each.valve, "spacing", each.late, "deg")


def _plain(valve: str, kind: str, number: Quantity, unit: str) -> Row:
    return {"valve": valve, "kind": kind, "line": f"{valve} {kind}", "unit": unit, **_number(number)}


def _number(quantity: Quantity | None) -> Row:
    if quantity is None:
        return {"value": None, "u95": None}
    return {
        name: number if math.isfinite(number) else None for name, number in (("value", quantity.value), ("u95", quantity.u95))
    }


def _finding(own: Row, finding: Finding, cylinder: int | None) -> Row:
    return {
        "key": own["key"],
        "job": own["job"],
        "cylinder": cylinder,
        "code": finding.code,
        "weight": finding.weight.value,
        "seen": finding.seen,
        "cause": finding.cause,
        "do": finding.do,
        "touches": ", ".join(sorted(finding.touches)),
    }


def _codes(found: Iterable[Finding]) -> str:
    return ", ".join(dict.fromkeys(finding.code for finding in found))
