"""A nominal lobe as an open text table (CSV): an angle column and a lift column whose names state their units.

```
# lines that begin with a number sign are comments
cam_deg,lift_mm
-70,0.000
-69,0.002
```

`cam_deg` or `crank_deg`, growing in the direction of rotation, counted from anywhere; `lift_mm` or `lift_in`, at the lobe, above the
base circle. Other columns are left alone.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from analysis.base.errors import UsageError
from analysis.base.regular import open_regular

LEAST_ROWS = 12
MM_PER_INCH = 25.4
MOST_MM = 30.0  # no lobe lifts further
_ANGLE = {"crank_deg": 1.0, "cam_deg": 2.0}
_LIFT = {"lift_mm": 1.0, "lift_in": MM_PER_INCH}
_SHOW = "Write a CSV with the columns cam_deg or crank_deg, and lift_mm or lift_in"


@dataclass(frozen=True)
class LiftTable:
    """Lift (mm) at the lobe over crank degrees, growing, counted from the table's own zero."""

    name: str
    crank_deg: tuple[float, ...]
    lift_mm: tuple[float, ...]


def read_lift_table(path: Path) -> LiftTable:
    """From a file. Raises UsageError with the line that is wrong."""
    try:
        with open_regular(path) as file:
            data = file.read()
    except OSError as error:
        raise UsageError(
            f"the lift table cannot be read ({error.strerror})", where=str(path), do="Put it beside job.toml, or correct its name"
        ) from None
    return parse_lift_table(data, where=str(path), name=path.name)


def parse_lift_table(data: bytes, *, where: str, name: str = "nominal") -> LiftTable:
    """The same from bytes; `where` names them in errors. Raises UsageError."""
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise UsageError("the lift table is no UTF-8 text", where=where, do=_SHOW) from None
    rows = [(k, line) for k, line in enumerate(lines, start=1) if line.strip() and not line.startswith("#")]
    if not rows:
        raise UsageError("the lift table is empty", where=where, do=_SHOW)
    try:
        head, *body = csv.reader(line for _, line in rows)
    except csv.Error as error:
        raise UsageError(f"the lift table is no CSV ({error})", where=where, do=_SHOW) from None
    names = [each.strip() for each in head]
    angle, angle_factor = _column(names, _ANGLE, "angle", where)
    lift, lift_factor = _column(names, _LIFT, "lift", where)
    places = [number for number, _ in rows[1:]]
    found = [
        (_number(row, angle, f"{where}, line {k}") * angle_factor, _number(row, lift, f"{where}, line {k}") * lift_factor)
        for k, row in zip(places, body, strict=False)
    ]
    _refuse_impossible(found, places, where)
    return LiftTable(name, tuple(deg for deg, _ in found), tuple(mm for _, mm in found))


def _column(names: list[str], known: dict[str, float], what: str, where: str) -> tuple[int, float]:
    """Where the one column of a kind stands, and what turns it into crank degrees or millimetres."""
    mine = [name for name in names if name in known]
    if len(mine) != 1:
        raise UsageError(
            f"the lift table has {'no' if not mine else 'more than one'} {what} column: its columns are {', '.join(names)}",
            where=where,
            do=_SHOW,
        )
    return names.index(mine[0]), known[mine[0]]


def _number(row: list[str], at: int, where: str) -> float:
    try:
        value = float(row[at])
    except (IndexError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise UsageError("this row lacks a number", where=where, do="Write numbers with a decimal point, one row a line")
    return value


def _refuse_impossible(found: list[tuple[float, float]], places: list[int], where: str) -> None:
    if len(found) < LEAST_ROWS:
        raise UsageError(f"the lift table has {len(found)} rows, {LEAST_ROWS} are needed", where=where, do="Give the whole lobe")
    for (before, _), (after, _), line in zip(found, found[1:], places[1:], strict=False):
        if after <= before:
            raise UsageError("the angle does not grow", where=f"{where}, line {line}", do="Sort the rows by angle, each once")
    if found[-1][0] - found[0][0] > 720.0:
        raise UsageError("the lift table is longer than a turn of the camshaft", where=where, do="Check the unit of its angle")
    for (_, lift), line in zip(found, places, strict=False):
        if not -0.1 <= lift <= MOST_MM:
            raise UsageError(
                f"a lift of {lift:g} mm is no lobe's", where=f"{where}, line {line}", do="Check the unit of its lift"
            )
    if max(lift for _, lift in found) < 1.0:
        raise UsageError("the lift table rises by less than 1 mm", where=where, do="Check the unit of its lift")
