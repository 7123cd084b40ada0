"""The tables that an archive of jobs comes to, column by column. docs/archive.md says what each holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

# "text", a whole number, a number, and one that 24 bits are fine enough for, of which there are very many.
Kind = Literal["text", "whole", "number", "fine"]
Columns = Mapping[str, Kind]

# Whose job it is: in front of every table that is read by itself.
_IDENTITY: Final[Columns] = {
    "key": "text",
    "job": "text",
    "started": "text",
    "engine": "text",
    "engine_number": "text",
    "camshaft": "text",
    "camshaft_serial": "text",
    "customer": "text",
    "operator": "text",
}
_WHERE: Final[Columns] = {"cylinder": "whole", "valve": "text", "kind": "text", "lift_mm": "number", "at": "text"}

JOBS, NUMBERS, LINES, FINDINGS, PROFILES, ERRORS = "jobs", "numbers", "lines", "findings", "profiles", "errors"
TABLES: Final[Mapping[str, Columns]] = {
    JOBS: {**_IDENTITY, "captures": "whole", "verdict": "text", "said": "text"},
    NUMBERS: {**_IDENTITY, **_WHERE, "path": "text", "value": "number", "u95": "number", "unit": "text", "doubts": "text"},
    LINES: {
        **_IDENTITY,
        **_WHERE,
        "line": "text",
        "specified": "number",
        "tolerance": "number",
        "value": "number",
        "u95": "number",
        "unit": "text",
        "verdict": "text",
    },
    FINDINGS: {
        "key": "text",
        "job": "text",
        "cylinder": "whole",
        "code": "text",
        "weight": "text",
        "seen": "text",
        "cause": "text",
        "do": "text",
        "touches": "text",
    },
    PROFILES: {"key": "text", "cylinder": "whole", "valve": "text", "deg": "fine", "lift_mm": "fine", "u_lift_mm": "fine"},
    ERRORS: {**_IDENTITY, "cylinder": "whole", "valve": "text", "error": "text"},
}
# The table for a single file: every number, and for what has none the words that say why.
FLAT: Final[Columns] = {**TABLES[NUMBERS], "error": "text"}
