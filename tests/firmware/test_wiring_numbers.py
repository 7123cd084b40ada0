"""The figures in firmware-notes/wiring.md, computed anew: low-passes of first order, and the rule of 0.28 RC and 0.4 / RC."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

TEXT = (Path(__file__).parents[2] / "firmware-notes" / "wiring.md").read_text(encoding="utf-8")
ROWS = [[cell.strip() for cell in line.strip("|").split("|")] for line in TEXT.splitlines() if line.startswith("| ")]
NANO_FARAD = {"10 nF": 10e-9, "1 nF": 1e-9}


def ohms(text: str) -> list[float]:
    return [float(n) * (1000 if k else 1) for n, k in re.findall(r"([\d.]+) (k?)Ohm", text)]


def number(text: str) -> float:
    return float(re.findall(r"[\d.,]+", text)[0].replace(",", ""))


FILTERS = [row for row in ROWS if "nF" in row[0] and len(row) == 5]
CABLES = [row for row in ROWS if re.fullmatch(r"\d+ m", row[0])]


@pytest.mark.parametrize("row", FILTERS, ids=lambda row: row[0])
def test_filters(row: list[str]) -> None:
    first, *more = ohms(row[0])
    farad = NANO_FARAD[row[0].rpartition(", ")[2]]
    falling = first
    if "over" in row[0]:  # a divider: the two side by side
        falling = first = first * more[0] / (first + more[0])
    elif "+" in row[0]:  # an open collector rises through the pull-up and falls without it
        first, falling = first + more[0], more[0]
    rc = first * farad
    assert number(row[1]) == pytest.approx(rc * 1e6, rel=0.01)
    assert number(row[2]) == pytest.approx(1e-3 / (2 * math.pi * rc), rel=0.02)
    assert number(row[3]) == pytest.approx(0.28 * falling * farad * 1e6, rel=0.05)
    assert number(row[4]) == pytest.approx(0.4 / rc, rel=0.05)


@pytest.mark.parametrize("row", CABLES, ids=lambda row: row[0])
def test_cables(row: list[str]) -> None:
    """Elmore's delay: each capacitor times the resistance that it is charged through (W. C. Elmore, J. Appl. Phys. 19 (1948) 55)."""
    rc = 1000 * 100e-12 * number(row[0]) + 1330 * 1e-9
    assert number(row[1]) == pytest.approx(rc * 1e6, rel=0.01)
    assert number(row[2]) == pytest.approx(0.4 / rc, rel=0.03)


def test_the_rule() -> None:
    """After 0.28 RC a step stands at 0.24 of the supply: 0.8 V of 3.3 V, the lower of the two boards' lowest thresholds."""
    assert 1 - math.exp(-0.28) == pytest.approx(0.8 / 3.3, abs=0.005)
    assert 0.8 / 3.3 < 1.5 / 5


def test_dividers_stay_between_high_and_the_limit() -> None:
    """With a supply a fifth too high, and one a tenth too low."""
    for volt, upper, lower, high, most in [
        (5.0, 1800, 3300, 2.0, 3.6),
        (12.0, 10_000, 2700, 2.0, 3.6),
        (24.0, 22_000, 2700, 2.0, 3.6),
        (12.0, 10_000, 4700, 3.0, 5.5),
        (24.0, 22_000, 4700, 3.0, 5.5),
    ]:
        assert f"{upper / 1000:g} kOhm over {lower / 1000:g} kOhm" in TEXT
        ratio = lower / (upper + lower)
        assert 0.9 * volt * ratio > high
        assert (1.05 if volt == 5.0 else 1.2) * volt * ratio < most


def test_there_is_something_to_compute() -> None:
    assert len(FILTERS) == 8
    assert len(CABLES) == 4
