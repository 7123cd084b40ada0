"""Cases which `make test` leaves out, being one more of what those beside them hold, and `make thorough` does not."""

from __future__ import annotations

from typing import Any

import pytest


def thorough(*cases: Any) -> list[Any]:
    """Of a parametrize: `[1, *thorough(2, 3)]`. A tuple has a value for each name."""
    return [pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.thorough) for case in cases]
