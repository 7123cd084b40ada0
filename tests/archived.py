"""Archives for tests: copies of a sample capture's job, each of an engine of its own, so that no two are one."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from analysis.archive.tables import TABLES

SAMPLE = Path(__file__).parents[1] / "sample-captures" / "cut-short"  # the quickest to measure


def archive(root: Path, jobs: int, *, sample: Path = SAMPLE) -> Path:
    """A folder with so many jobs, a hundred to a folder."""
    for number in range(jobs):
        folder = root / f"{number // 100:03d}" / f"engine-{number:05d}"
        shutil.copytree(sample, folder)
        job = folder / "job.toml"
        job.write_text(f'{job.read_text(encoding="utf-8")}\n[record]\nengine_number = "{number}"\n', encoding="utf-8")
    return root


def tables(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Every row of every whole chunk, sorted."""
    found = {}
    for table in TABLES:
        files = sorted((folder / table).glob("version=*/[0-9]*.parquet"))
        rows = [row for file in files for row in pq.read_table(file, partitioning=None).to_pylist()]
        found[table] = sorted(rows, key=lambda row: tuple((value is None, value) for value in row.values()))
    return found
