"""How true the numbers are: the study. `python -m tests.statistics.study --help`, or `make study`.

Every part is seeded, and a scenario's seeds are its own, so that any share of it can be run anywhere and again. A table in
Markdown goes to stdout, what is being done to stderr; `--rows` keeps what every scenario came to, one JSON a line, and a run that
finds it there goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np

from analysis.base.errors import LobetraceError
from tests.statistics.random_error import PLACES, errors, shifted
from tests.statistics.trials import LIFTS, Scenario, scenarios, trial

Row = dict[str, Any]
_KINDS = ("opens", "closes", "duration")
OTHERS = ("TDC", "equal_lift", "event_midpoint", "centroid", "peak", "peak lift", "lag")
EVENTS = tuple(f"{kind} {lift:g}" for kind in _KINDS for lift in LIFTS)
NUMBERS = EVENTS + OTHERS


def covered(scenario: Scenario, seed: int) -> list[list[float]]:
    """Errors and 95 % uncertainties of a trial's numbers, in the order of `NUMBERS`."""
    outcome = trial(scenario, seed)
    return [[outcome.error[n] for n in NUMBERS], [outcome.u95[n] for n in NUMBERS]]


def coverage(trials: Sequence[Any]) -> Row:
    """Share of intervals that hold the truth, and their mean width against the ideal one, 1.96 times the error's rms: over the trials
    that gave the number.
    """
    error, u95 = (np.array([t[k] for t in trials]) for k in (0, 1))
    told = np.isfinite(error)
    hit = np.nanmean(np.where(told, np.abs(error) <= u95, np.nan), axis=0)
    rms = np.sqrt(np.nanmean(error**2, axis=0))
    return {
        "coverage": dict(zip(NUMBERS, hit.tolist(), strict=True)),
        "rms": dict(zip(NUMBERS, rms.tolist(), strict=True)),
        "width": dict(zip(NUMBERS, (np.nanmean(u95, axis=0) / (1.96 * rms)).tolist(), strict=True)),
        "told": dict(zip(NUMBERS, told.mean(axis=0).tolist(), strict=True)),
    }


def random_error(scenario: Scenario, seed: int) -> list[Any]:
    """The random error of a trial by the engine, by its rivals, and of a shift."""
    found, moved = errors(scenario, seed), shifted(scenario, seed)
    return [
        found.engine.tolist(),
        found.local.tolist(),
        found.between_two.tolist(),
        [moved.error, moved.u, moved.bound, moved.bound_lobe_known],
    ]


def efficiency(trials: Sequence[Any]) -> Row:
    """The engine's rms against that of the best local polynomial, chosen by the truth over all these trials, and so on."""
    engine, local, two, moved = (np.array([t[k] for t in trials], dtype=np.float64) for k in range(4))
    rms = np.sqrt((engine**2).mean(axis=0))
    # A width with a hole in any trial is out of the contest.
    rivals = np.sqrt((local**2).mean(axis=0)).reshape(len(PLACES), -1)
    best = np.nanmin(rivals, axis=1)
    names = [f"{flank} {lift:g}" for lift, flank in PLACES]
    moved_rms = float(np.sqrt(np.mean(moved[:, 0] ** 2)))
    return {
        "rms": dict(zip(names, rms.tolist(), strict=True)),
        "ratio": dict(zip(names, (rms / best).tolist(), strict=True)),
        "gain": dict(zip(names, (np.sqrt(np.nanmean(two**2, axis=0)) / rms).tolist(), strict=True)),
        "shift": moved_rms / float(np.sqrt(np.mean(moved[:, 2] ** 2))),
        "shift lobe known": moved_rms / float(np.sqrt(np.mean(moved[:, 3] ** 2))),
        "shift u": float(np.mean(moved[:, 1])) / moved_rms,
    }


PARTS: dict[str, tuple[Callable[[Scenario, int], Any], Callable[[Sequence[Any]], Row]]] = {
    "coverage": (covered, coverage),
    "random": (random_error, efficiency),
}


def _one(job: tuple[str, Scenario, int]) -> Any:
    part, scenario, seed = job
    try:
        return PARTS[part][0](scenario, seed)
    except LobetraceError as error:
        return str(error)


def run(part: str, chosen: Sequence[Scenario], seeds: int, jobs: int) -> Iterator[tuple[Scenario, Row]]:
    """Each scenario's row. A trial that refuses to answer is counted, never left out in silence."""
    with Pool(jobs) as pool:
        for scenario in chosen:
            done = pool.map(_one, [(part, scenario, seed) for seed in range(seeds)], chunksize=8)
            refused = [t for t in done if isinstance(t, str)]
            row = PARTS[part][1]([t for t in done if not isinstance(t, str)])
            yield scenario, {"scenario": str(scenario), "seeds": seeds, "refused": len(refused), **row}


def spread_out(number: int) -> list[Scenario]:
    """So many scenarios that every level of every factor comes about equally often: all of them shuffled in a fixed order, each
    taken that has been met least so far.
    """
    rest = [scenarios()[k] for k in np.random.default_rng(20).permutation(len(scenarios()))]
    met: dict[tuple[str, Any], int] = {}
    chosen: list[Scenario] = []
    while rest and len(chosen) < number:
        best = min(rest, key=lambda s: sum(met.get(item, 0) for item in vars(s).items()))
        rest.remove(best)
        chosen.append(best)
        for item in vars(best).items():
            met[item] = met.get(item, 0) + 1
    return chosen


def table(part: str, rows: Sequence[Row]) -> str:
    """Rows as Markdown."""
    lines = [_HEADS[part]]
    for row in rows:
        cells = _cells(part, row)
        lines.append(f"| {row['scenario'].replace(', 1 passes', ', 1 pass')} | {' | '.join(cells)} |")
    return "\n".join(lines)


_HEADS = {
    "coverage": "| scenario | opens | closes | duration | width opens | width closes | width duration |\n| --- |" + " --- |" * 6,
    "others": "| scenario | TDC | equal lifts | middle of events | centroid | peak angle | peak lift | lag |\n| --- |"
    + " --- |" * 7,
    "random": "| scenario | 0.15 mm | 0.5 mm | 1.27 mm | 2.54 mm | rms at 1.27 | two readings | shift |\n| --- |" + " --- |" * 7,
}


def _cells(part: str, row: Row) -> list[str]:
    if part == "coverage":
        spans = [[row[what][f"{kind} {lift:g}"] for lift in LIFTS] for what in ("coverage", "width") for kind in _KINDS]
        percent = [f"{100 * min(s):.1f} to {100 * max(s):.1f}" for s in spans[:3]]
        return [*percent, *(f"{min(s):.2f} to {max(s):.2f}" for s in spans[3:])]
    if part == "others":
        return [f"{100 * row['coverage'][name]:.1f} ({row['width'][name]:.2f})" for name in OTHERS]
    both = [[row["ratio"][f"{flank} {lift:g}"] for flank in ("opens", "closes")] for lift in LIFTS]
    rms = max(row["rms"][f"{flank} 1.27"] for flank in ("opens", "closes"))
    gain = min(row["gain"][f"{flank} 1.27"] for flank in ("opens", "closes"))
    return [
        *(f"{pair[0]:.2f}, {pair[1]:.2f}" for pair in both),
        f"{rms:.4f} deg",
        f"{gain:.1f}",
        f"{row['shift']:.2f} ({row['shift lobe known']:.2f})",
    ]


def main(arguments: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.statistics.study", description=__doc__)
    parser.add_argument("--part", choices=[*PARTS, "time"], action="append", help="which part; else all")
    parser.add_argument("--seeds", type=int, default=2000, help="trials a scenario (random: a fifth of it)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--share", default="1/1", help="k/n: the k-th of n shares of the scenarios")
    parser.add_argument("--scenarios", type=int, default=len(scenarios()), help="only so many, spread over all factors")
    parser.add_argument("--rows", type=Path, help="file for the rows, one JSON a line; what is there already is not run again")
    asked = parser.parse_args(arguments)
    k, n = (int(word) for word in asked.share.split("/"))
    chosen = spread_out(asked.scenarios)[k - 1 :: n]
    for part in asked.part or [*PARTS, "time"]:
        if part == "time":
            from tests.statistics.timing import report

            print(report(), flush=True)
            continue
        seeds = asked.seeds if part == "coverage" else max(asked.seeds // 5, 2)
        kept = _kept(asked.rows, part, seeds)
        rows = [kept[str(s)] for s in chosen if str(s) in kept]
        for number, (scenario, row) in enumerate(run(part, [s for s in chosen if str(s) not in kept], seeds, asked.jobs)):
            print(f"{part} {number + len(kept) + 1} of {len(chosen)}: {scenario}, {row['refused']} refused", file=sys.stderr)
            rows.append(row)
            if asked.rows:
                with asked.rows.open("a", encoding="utf-8") as file:
                    print(json.dumps({"part": part, **row}), file=file, flush=True)
        print(f"\n{part}, {seeds} seeds a scenario, {sum(r['refused'] for r in rows)} trials refused")
        for kind in ("coverage", "others") if part == "coverage" else (part,):
            print(f"\n{table(kind, rows)}")


def _kept(path: Path | None, part: str, seeds: int) -> dict[str, Row]:
    if path is None or not path.exists():
        return {}
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return {row["scenario"]: row for row in rows if row["part"] == part and row["seeds"] == seeds}


if __name__ == "__main__":
    main()
