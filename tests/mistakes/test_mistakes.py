"""A mistake at the bench never becomes a number: it is refused, or doubted with its cause named first, or the interval holds the
truth.

With other seeds: SEEDS=2,3,4,5 python -m pytest tests/mistakes
"""

from __future__ import annotations

import os
import re

import pytest

from tests.left_out import typical
from tests.mistakes.bench import Bench
from tests.mistakes.catalog import MISTAKES, SOUND, Mistake
from tests.mistakes.judge import judge

SEEDS = [int(seed) for seed in os.environ.get("SEEDS", "1").split(",")]
# Of a mistake in several sizes the last, which is the hardest to see, is typical.
OF_EACH_KIND = {re.sub(r"[0-9.]+", "#", mistake.name): mistake for mistake in MISTAKES}.values()
EACH_SEED = pytest.mark.parametrize("seed", SEEDS, ids=lambda seed: f"seed {seed}")


@EACH_SEED
@pytest.mark.parametrize("mistake", typical(OF_EACH_KIND, MISTAKES), ids=lambda mistake: mistake.name)
def test_a_mistake_never_becomes_a_number(mistake: Mistake, seed: int) -> None:
    """Every other one in a shop that works in inches, which is told nothing in millimeters."""
    units, other = ("in", "mm") if MISTAKES.index(mistake) % 2 else ("mm", "in")
    outcome = judge(mistake.make(Bench(seed=seed)), units)
    assert not [text for text in (outcome.first, *outcome.notes) if re.search(rf"[0-9] {other}\b(?! all)", text)]
    assert outcome.silent == ()
    if mistake.says is not None:
        said = [outcome.first] if outcome.codes else outcome.notes
        assert any(re.search(mistake.says, text, re.IGNORECASE) for text in said), said


@EACH_SEED
@pytest.mark.parametrize("sound", SOUND, ids=lambda sound: sound.name)
def test_a_sound_job_gets_no_doubt(sound: Mistake, seed: int) -> None:
    outcome = judge(sound.make(Bench(seed=seed)))
    assert outcome.codes == (), outcome.first
    assert outcome.silent == ()
    assert outcome.given > 10
