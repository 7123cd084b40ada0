"""The tables of an archive on disk: a folder for each, in it one folder for each version of lobetrace, in that a file for each chunk.

A chunk is a file in every table, and the one in `jobs` is written last: what has none there was broken off, and counts as never
written. Files are never changed, so that a reader may come at any time.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np

from acquire.cli.extra import needed
from acquire.cli.output_file import writing
from analysis.archive.rows import JobRows
from analysis.archive.tables import ERRORS, FLAT, JOBS, NUMBERS, PROFILES, TABLES, Columns
from analysis.base.errors import UsageError
from analysis.base.foreign import no_formula

SUFFIX: Final = ".parquet"
FILES: Final = (".parquet", ".csv", ".arrow")  # what a single file may be
_ARROW: Final = {"text": "string", "whole": "int32", "number": "float64", "fine": "float32"}
_DIGITS: Final = 6
_DO: Final = "Choose a folder that is not there yet, is empty, or holds such tables"


class Dataset:
    """The tables in `folder`, written by this `version`. UsageError if something else is there, or it cannot be written."""

    def __init__(self, folder: Path, version: str) -> None:
        self._pa = needed("pyarrow", "tables")
        self._parquet = needed("pyarrow.parquet", "tables")
        self.folder = folder
        self._version = _folder_of(version)
        _must_be_ours(folder)
        self._clear_broken_off()
        self._next = 1 + max((int(path.name[:_DIGITS]) for path in parts(folder, JOBS)), default=0)

    def keys(self) -> Iterator[str]:
        """The keys of all jobs that this version has written."""
        for part in sorted((self.folder / JOBS / self._version).glob(f"*{SUFFIX}")):
            yield from self._parquet.read_table(part, columns=["key"], partitioning=None)["key"].to_pylist()

    def write(self, chunk: Sequence[JobRows]) -> None:
        """Jobs, all of them or none. UsageError if the disk takes no more: then none is written."""
        if not chunk:
            return
        digest = hashlib.sha256("".join(job.key for job in chunk).encode()).hexdigest()[:8]
        name = f"{self._next:0{_DIGITS}d}-{digest}{SUFFIX}"
        try:
            for table in (*(table for table in TABLES if table != JOBS), JOBS):
                columns = _columns(table, chunk)
                if columns["key"]:
                    self._put(self.folder / table / self._version / name, self._table(columns, TABLES[table]))
        except OSError as error:
            raise _unwritable(self.folder, error) from None
        self._next += 1

    def _table(self, columns: Mapping[str, Sequence[Any]], kinds: Columns) -> Any:
        return self._pa.table(dict(columns), schema=schema(kinds))

    def _put(self, path: Path, table: Any) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        made = path.with_name(f".{path.name}")
        with made.open("wb") as out:
            self._parquet.write_table(table, out, compression="zstd")
            out.flush()
            os.fsync(out.fileno())
        made.replace(path)
        _sync(path.parent)

    def _clear_broken_off(self) -> None:
        whole = {path.name for path in parts(self.folder, JOBS)}
        for table in TABLES:
            for path in (self.folder / table).glob(f"version=*/*{SUFFIX}"):
                if path.name.startswith(".") or path.name not in whole:
                    path.unlink()


def _folder_of(version: str) -> str:
    return f"version={re.sub(r'[^A-Za-z0-9.+_-]', '_', version)}"


def parts(folder: Path, table: str) -> list[Path]:
    """The files of a table, in the order in which they were written: those of whole chunks only."""
    whole = sorted((folder / JOBS).glob(f"version=*/[0-9]*{SUFFIX}"), key=lambda path: (path.name, path.parent.name))
    if table == JOBS:
        return whole
    return [path for path in (folder / table / job.parent.name / job.name for job in whole) if path.exists()]


def schema(kinds: Columns) -> Any:
    """The columns as Arrow has them; who made it stands in the metadata."""
    pa = needed("pyarrow", "tables")
    fields = [(name, getattr(pa, _ARROW[kind])()) for name, kind in kinds.items()]
    return pa.schema(fields, metadata={"made by": "lobetrace"})


def _columns(table: str, chunk: Sequence[JobRows]) -> dict[str, list[Any] | Any]:
    """What the jobs add to a table."""
    if table == PROFILES:
        return _profile_columns([profile for job in chunk for profile in job.profiles])
    found = [job.columns[table] for job in chunk if table in job.columns]
    return {name: list(chain.from_iterable(columns[name] for columns in found)) for name in TABLES[table]}


def _profile_columns(found: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Rows of arrays, laid end to end."""
    each = [profile["deg"].size for profile in found]
    columns: dict[str, Any] = {
        name: np.repeat(np.array([profile[name] for profile in found], dtype=object), each).tolist()
        for name in ("key", "cylinder", "valve")
    }
    fine = {name: [profile[name] for profile in found] for name, kind in TABLES[PROFILES].items() if kind == "fine"}
    return columns | {name: np.concatenate(arrays) if arrays else [] for name, arrays in fine.items()}


def write_file(path: Path, folder: Path, version: str, *, force: bool = False) -> None:
    """One table in one file, from the tables in `folder`: every number of `version`, and a row for what has none, which says why.

    Comma-separated text, Parquet or Arrow, as the name says. UsageError as `output_file.write`.
    """
    chunks = _flat(folder, _folder_of(version))
    with writing(path, head_of(path), force=force) as out:
        if path.suffix == ".csv":
            out.write(head_of(path))
            for chunk in chunks:
                out.write(as_csv(zip(*(column.to_pylist() for column in chunk.columns), strict=True)))
            return
        file_of = (
            needed("pyarrow.parquet", "tables").ParquetWriter
            if path.suffix == SUFFIX
            else needed("pyarrow", "tables").ipc.new_file
        )
        with file_of(out, schema(FLAT)) as writer:
            for chunk in chunks:
                writer.write_table(chunk)


def head_of(path: Path) -> bytes:
    """What such a file begins with."""
    return {".csv": as_csv([FLAT]), SUFFIX: b"PAR1", ".arrow": b"ARROW1"}[path.suffix]


def as_csv(rows: Iterable[Iterable[Any]]) -> bytes:
    """Rows as comma-separated text, with nothing in it that a spreadsheet would run."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([no_formula(v) if isinstance(v, str) else v for v in row] for row in rows)
    return text.getvalue().encode("utf-8", "replace")


def _flat(folder: Path, version: str) -> Iterator[Any]:
    """The single table, chunk by chunk."""
    pa = needed("pyarrow", "tables")
    read_table = needed("pyarrow.parquet", "tables").read_table
    for job in parts(folder, JOBS):
        if job.parent.name != version:
            continue
        for table in (NUMBERS, ERRORS):
            part = folder / table / version / job.name
            if part.exists():
                rows = read_table(part, partitioning=None)
                columns = [rows[n] if n in rows.column_names else pa.nulls(rows.num_rows) for n in FLAT]
                yield pa.table(columns, names=list(FLAT)).cast(schema(FLAT))


def remove(folder: Path) -> None:
    """Away with tables of ours that are needed no more."""
    _must_be_ours(folder)
    shutil.rmtree(folder)


def _must_be_ours(folder: Path) -> None:
    try:
        strangers = (
            sorted(path.name for path in folder.iterdir() if path.name not in TABLES and path.name[0] != ".")
            if folder.exists()
            else []
        )
        if strangers:
            raise UsageError(f"it holds {strangers[0]!r}, which is no table of lobetrace", where=str(folder), do=_DO)
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritable(folder, error) from None


def _unwritable(folder: Path, error: OSError) -> UsageError:
    return UsageError(
        f"the tables cannot be written ({error.strerror})", where=str(folder), do="Make room, or choose another folder"
    )


def _sync(folder: Path) -> None:
    """A new name in a folder is on the disk only when the folder is. Windows has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
