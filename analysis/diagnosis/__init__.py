"""What is wrong with the evidence: rules by subject, entered in one table.

A new rule is a function in the module of its subject, with `rule(code, weight, *touches)` above it; a new subject is a module in
`MODULES`.
"""

from __future__ import annotations

from analysis.base.finding import Finding, in_order
from analysis.diagnosis import contact_rules, curve_rules, file_rules, place_rules, sweep_rules
from analysis.diagnosis.evidence import Evidence
from analysis.diagnosis.rule import examine_with, rules_of

MODULES = (file_rules, contact_rules, place_rules, sweep_rules, curve_rules)
RULES = rules_of(MODULES)


def diagnose(evidence: Evidence) -> tuple[Finding, ...]:
    """What all rules find: refusals first, then doubts, then notes."""
    return in_order(examine_with(RULES, evidence).findings)
