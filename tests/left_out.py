"""Cases which `make test` leaves out, being one more of what those beside them hold, and `make thorough` does not."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def thorough(*cases: Any) -> list[Any]:
    """Of a parametrize: `[1, *thorough(2, 3)]`. A tuple has a value for each name."""
    return [pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.thorough) for case in cases]


def typical(kept: Iterable[Any], every: Iterable[Any]) -> list[Any]:
    """Of a parametrize: these, and of every case the others as `thorough`."""
    kept = [*kept]
    return [*kept, *thorough(*(case for case in every if case not in kept))]
