"""Walks of the guided procedure that clean up behind themselves, and the scenarios they use."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from acquire.procedure.session import Plan
from acquire.simulator.scenarios import SCENARIOS, Scenario
from tests.walked import Walk

CLEAN = SCENARIOS["clean"]


@pytest.fixture
def walks(tmp_path: Path) -> Iterator[Callable[..., Walk]]:
    """Makes walks in a job's folder of the test's own."""
    made: list[Walk] = []

    def make(scenario: Scenario = CLEAN, plan: Plan | None = None) -> Walk:
        made.append(Walk(tmp_path / "job", scenario, plan))
        return made[-1]

    yield make
    for walk in made:
        walk.station.close()
