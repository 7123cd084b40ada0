"""The table of all rules.

A new rule is a function in the module of its subject with `@rule(code, weight, *touches)` above it; a new subject is a module here.
"""

from __future__ import annotations

from analysis.diagnosis import contact_rules, curve_rules, file_rules, place_rules, shape_rules, sweep_rules
from analysis.diagnosis.rule import rules_of

RULES = rules_of((file_rules, contact_rules, place_rules, shape_rules, curve_rules, sweep_rules))
