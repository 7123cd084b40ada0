"""The fuzzers by command: for so long, from seed to seed, with a line a target; whatever comes out is written down with its seed."""

from __future__ import annotations

import argparse
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np

from tests.fuzz.targets import TARGETS, survives

A_ROUND = 400  # cases of the cheapest target


def main() -> int:
    """Exit code 1 if anything but our own errors came out."""
    asked = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    asked.add_argument("--seconds", type=float, default=3600.0)
    asked.add_argument("--seed", type=int, default=1, help="the first seed; each round has the next")
    asked.add_argument("--keep", type=Path, default=Path("fuzz-found"), help="where bytes that broke something are kept")
    options = asked.parse_args()
    came: dict[str, Counter[str]] = {name: Counter() for name in TARGETS}
    seed, until = options.seed, time.monotonic() + options.seconds
    while time.monotonic() < until:
        for name, target in TARGETS.items():
            rng = np.random.default_rng([seed, len(name)])
            for case in range(max(A_ROUND // target.cost, 1)):
                data = target.spoil(target.sound(), rng)
                try:
                    came[name][survives(target, data)] += 1
                except Exception:
                    came[name]["broke"] += 1
                    options.keep.mkdir(exist_ok=True)
                    file = options.keep / f"{name.replace(' ', '-')}-seed{seed}-{case}"
                    file.write_bytes(data)
                    file.with_suffix(".txt").write_text(traceback.format_exc(), encoding="utf-8")
        seed += 1
    for name, counts in came.items():
        print(f"{name:16} {counts.total():9} cases  " + ", ".join(f"{many} {what}" for what, many in sorted(counts.items())))
    return int(any(counts["broke"] for counts in came.values()))


if __name__ == "__main__":
    raise SystemExit(main())
