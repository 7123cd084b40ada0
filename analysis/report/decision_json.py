"""A decision as JSON: the shape of analysis/decision.schema.json."""

from __future__ import annotations

import math
from typing import Any

from analysis.base.finding import Finding
from analysis.base.quantity import Quantity
from analysis.base.version import head
from analysis.decision.clearance import PistonClearance
from analysis.decision.correction import Correction
from analysis.decision.cylinders import Spacing
from analysis.decision.decide import Cylinder, Decision
from analysis.decision.line_profile import ProfileLine
from analysis.decision.spring import Loads, Margin
from analysis.decision.verdict import Line, overall, rule
from analysis.lobe.result_json import quantity_json, result_json
from analysis.report.sentences import headline, said_verdict, story

SCHEMA_ID = "urn:lobetrace:decision:1"


def decision_json(decision: Decision) -> dict[str, Any]:
    """The decision as plain dicts, lists, numbers and text; the measurement itself under "result".

    Crank degrees, millimetres and newtons as the keys say; infinite ends of a range are null. Raises DataError if a measured number
    is not finite.
    """
    after, overlap = decision.after, decision.overlap
    return {
        **head(SCHEMA_ID),
        "verdict": decision.verdict,
        "text": [headline(decision), *story(decision)],
        "rule": rule(decision.job),
        "lines": [_line(line) for line in decision.lines],
        "spacings": [_spacing(spacing) for spacing in decision.spacings],
        "clearances": [_clearance(clearance) for clearance in decision.clearances],
        "margins": [_margin(margin) for margin in decision.margins],
        "profiles": [profile_line_json(line) for line in decision.profiles],
        "springs": [_loads(each) for each in decision.loads],
        "overlap": None
        if overlap is None
        else {
            "intake_at_tdc_mm": quantity_json(overlap.intake_at_tdc_mm),
            "exhaust_at_tdc_mm": quantity_json(overlap.exhaust_at_tdc_mm),
            "area_mm_deg": quantity_json(overlap.area_mm_deg),
        },
        "compression": _maybe(decision.compression),
        "findings": [cause_json(finding) for finding in decision.own_findings],
        "correction": None if decision.correction is None else _correction(decision.correction),
        "after": None
        if after is None
        else {"clearances": [_clearance(c) for c in after.clearances], "compression": _maybe(after.compression)},
        "cylinder": decision.job.measure.cylinder,
        "result": result_json(decision.measured),
        "others": [_other(each) for each in decision.others],
    }


def _other(cylinder: Cylinder) -> dict[str, Any]:
    return {
        "cylinder": cylinder.number,
        "verdict": overall(cylinder.verdicts),
        "error": None if cylinder.error is None else str(cylinder.error),
        "lines": [_line(line) for line in cylinder.lines],
        "margins": [_margin(margin) for margin in cylinder.margins],
        "findings": [cause_json(finding) for finding in cylinder.own_findings],
        "result": None if cylinder.measured is None else result_json(cylinder.measured),
    }


def _maybe(quantity: Quantity | None) -> dict[str, float] | None:
    return None if quantity is None else quantity_json(quantity)


def _line(line: Line) -> dict[str, Any]:
    asked = line.asked
    return {
        "valve": asked.valve or None,
        "kind": asked.kind,
        "unit": "mm" if asked.is_length else "cam deg" if asked.kind == "separation" else "deg",
        "lift_mm": asked.lift_mm or None,
        "at": asked.at or None,
        "specified": asked.value,
        "tolerance": asked.tolerance,
        "measured": None if line.measured is None else {"value": line.measured.value, "u95": line.u95},
        "verdict": said_verdict(line),
        "how": line.how,
    }


def _spacing(spacing: Spacing) -> dict[str, Any]:
    return {
        "cylinder": spacing.cylinder,
        "against": spacing.against,
        "valve": spacing.valve,
        "late_deg": {"value": spacing.late.value, "u95": spacing.u95},
        "verdict": said_verdict(spacing),
    }


def _clearance(clearance: PistonClearance) -> dict[str, Any]:
    keeps = clearance.keeps_deg
    return {
        "valve": clearance.valve,
        "least_mm": {"value": clearance.least.value, "u95": clearance.u95},
        "at_deg": clearance.at_deg,
        "limit_mm": clearance.limit_mm,
        "verdict": said_verdict(clearance),
        "how": clearance.how,
        "doubt": clearance.disagree.text if clearance.disagree else "",
        "keeps_deg": None if keeps is None else [None if math.isinf(end) else end for end in keeps],
        "by_advance": {"advance_deg": clearance.advance_deg.tolist(), "least_mm": clearance.least_mm.tolist()},
    }


def _margin(margin: Margin) -> dict[str, Any]:
    return {
        "valve": margin.valve,
        "kind": margin.kind,
        "measured_mm": {"value": margin.measured.value, "u95": margin.u95},
        "limit_mm": margin.limit_mm,
        "verdict": said_verdict(margin),
    }


def profile_line_json(line: ProfileLine) -> dict[str, Any]:
    """What decides about a profile."""
    return {
        "cylinder": line.cylinder,
        "valve": line.valve,
        "nominal": None if line.fit is None else line.fit.nominal.name,
        "tolerance_mm": line.tolerance_mm,
        "deviation_mm": _maybe(line.deviation),
        "at_deg": line.at_deg,
        "zone_mm": None if line.fit is None else quantity_json(line.fit.zone),
        "verdict": said_verdict(line),
        "how": line.how,
    }


def _loads(loads: Loads) -> dict[str, Any]:
    return {"valve": loads.valve, "seat_n": loads.seat_n, "open_n": quantity_json(loads.open_n)}


def cause_json(finding: Finding) -> dict[str, Any]:
    """A likely cause, or a refusal: `text` is the cause, `evidence` what was seen."""
    return {
        "code": finding.code,
        "weight": finding.weight.value,
        "text": finding.cause or finding.text,
        "evidence": finding.seen,
        "do": finding.do,
        "touches": sorted(finding.touches),
        "about": list(finding.about),
        "estimate": finding.estimate,
    }


def _correction(correction: Correction) -> dict[str, Any]:
    moves = [
        {
            "camshaft": move.camshaft,
            "late_deg": {"value": move.late.value, "u95": move.u95},
            "verdict": move.verdict,
            "advance_deg": move.advance_deg,
            "position_deg": move.position_deg,
            "teeth": move.teeth,
            "left_deg": move.left_deg,
            "cylinders": list(move.cylinders),
        }
        for move in correction.moves
    ]
    return {"moves": moves, "after": [_line(line) for line in correction.after]}
