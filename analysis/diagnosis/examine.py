"""A measurement and what must be said about it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace

from analysis.base.finding import Finding, in_order
from analysis.base.samples import Capture
from analysis.diagnosis.all_rules import RULES
from analysis.diagnosis.arguments import OF_FILES, Given
from analysis.diagnosis.rule import look_at
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.measure import measure

_log = logging.getLogger(__name__)


def examine(job: Job, captures: Sequence[Capture], *, after_deg: float = 0.0) -> Measurement:
    """`measure`, with its findings. Raises DataError as that does."""
    found = measure(job, captures, after_deg=after_deg)
    findings = diagnose(job, captures, found)
    _log.info("%d findings%s", len(findings), "".join(f", {each.code}" for each in findings))
    return replace(found, findings=findings)


def diagnose(job: Job, captures: Sequence[Capture], found: Measurement) -> tuple[Finding, ...]:
    """What all rules find about a measurement: refusals first, then doubts, then notes."""
    return in_order(look_at(RULES, Given(job, tuple(captures), found)).findings)


def diagnose_captures(job: Job, captures: Sequence[Capture]) -> tuple[Finding, ...]:
    """What the captures alone give away, where they could not be measured."""
    rules = [rule for rule in RULES if OF_FILES.issuperset(rule.needs)]
    return in_order(look_at(rules, Given(job, tuple(captures), None)).findings)
