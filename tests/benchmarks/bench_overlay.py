"""How long it takes to lay 48 sweeps over each other, all pairs; prints figures, decides nothing."""

from __future__ import annotations

import time
from dataclasses import replace

from analysis.compare.difference import difference
from analysis.compare.laid import Cells, lay, weighted
from analysis.compare.lobes import compare_lobes
from tests.lobes_laid import measured_lobe
from tests.statistics.trials import Scenario, rig_of

SWEEPS, MEASURED = 48, 6


def main() -> None:
    """Measure a few, lay them over each other again and again, print processor time."""
    rig = rig_of(Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"), 1)
    few = [measured_lobe(replace(rig, seed=rig.seed ^ k), f"sweep {k}") for k in range(MEASURED)]
    lobes = [replace(few[k % MEASURED], cylinder=k // 3 + 1) for k in range(SWEEPS)]
    begun = time.process_time()
    cells = Cells.of(lobes[0].swept.curve.spline)
    laid = [lay(cells, lobe) for lobe in lobes]
    pairs = [difference(cells, weighted((1.0, a), (-1.0, b))) for k, a in enumerate(laid) for b in laid[:k]]
    print(f"{len(pairs)} pairs of {SWEEPS} sweeps: {time.process_time() - begun:.1f} s of processor time")
    begun = time.process_time()
    compare_lobes(lobes, "rest")
    print(f"{SWEEPS // 3} lobes against the rest: {time.process_time() - begun:.1f} s")


if __name__ == "__main__":
    main()
