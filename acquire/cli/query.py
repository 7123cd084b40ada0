"""`lobetrace table FOLDER --query`: SQL over the tables of an archive, by DuckDB."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from acquire.cli import say
from acquire.cli.dataset import as_csv, parts
from acquire.cli.extra import needed
from acquire.cli.output_file import writing
from analysis.archive.tables import JOBS, TABLES
from analysis.base.errors import UsageError
from analysis.base.foreign import shown

_AT_ONCE: Final = 1000  # rows
_TYPES: Final = {"text": "VARCHAR", "whole": "INTEGER", "number": "DOUBLE", "fine": "FLOAT"}
_WIDEST: Final = 60


def run(folders: Sequence[Path], query: str, out: Path | None, as_json: bool, *, force: bool = False) -> int:
    """Print what the query finds as a table or as JSON, or write it to a .csv file. Raises UsageError for what DuckDB refuses."""
    if len(folders) != 1 or not parts(folders[0], JOBS):
        where = str(folders[0])
        raise UsageError(
            "there are no tables", where=where, do="Name the one folder that lobetrace table JOBS -o FOLDER has made"
        )
    duckdb = needed("duckdb", "queries")
    with duckdb.connect(config={"autoinstall_known_extensions": False}) as database:
        _views(database, folders[0])
        try:
            found = database.execute(query)
            columns, rows = [column[0] for column in found.description or ()], _rows(found)
            if out is not None:
                _write(out, columns, rows, force)
            elif as_json:
                told = say.Growing("query", "rows", as_json=True)
                for some in rows:
                    for row in some:
                        told.add(dict(zip(columns, map(_plain, row), strict=True)), "")
                told.end({"columns": columns}, "")
            else:
                _print(columns, rows)
        except duckdb.Error as error:
            words = shown(str(error).partition("\n")[0])
            do = f"The tables are {', '.join(TABLES)}; their columns stand in docs/archive.md"
            raise UsageError(f"the query cannot be answered: {words}", do=do) from None
    return 0


def _views(database: Any, folder: Path) -> None:
    """Each table under its name, also one without a row."""
    for table, columns in TABLES.items():
        files = [str(path) for path in parts(folder, table)]
        if files:
            read = "read_parquet($files, hive_partitioning = true, hive_types_autocast = false, union_by_name = true)"
            quoted = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
            database.execute(f"CREATE VIEW {table} AS SELECT * FROM {read.replace('$files', f'[{quoted}]')}")
        else:
            names = ", ".join(f'"{name}" {_TYPES[kind]}' for name, kind in columns.items())
            database.execute(f"CREATE TABLE {table} ({names}, version VARCHAR)")


def _rows(found: Any) -> Iterator[list[tuple[Any, ...]]]:
    while some := found.fetchmany(_AT_ONCE):
        yield some


def _plain(value: Any) -> Any:
    """As JSON holds it."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, int | float | str) else str(value)


def _write(out: Path, columns: Sequence[str], rows: Iterator[list[tuple[Any, ...]]], force: bool) -> None:
    if out.suffix != ".csv":
        raise UsageError("what a query finds is written as comma-separated text", where=str(out), do="Name a .csv file")
    head = as_csv([columns])
    with writing(out, head, force=force) as file:
        file.write(head)
        for some in rows:
            file.write(as_csv(some))


def _print(columns: Sequence[str], rows: Iterator[list[tuple[Any, ...]]]) -> None:
    """Columns as wide as the first rows need."""
    widths: list[int] = []
    right: list[bool] = []
    for some in rows:
        cells = [[_cell(value) for value in row] for row in some]
        if not widths:
            widths = [max(map(len, column)) for column in zip(columns, *cells, strict=True)]
            right = [all(v is None or isinstance(v, int | float) for v in column) for column in zip(*some, strict=True)]
            say.result(_line(columns, widths, right))
        for row in cells:
            say.result(_line(row, widths, right))
    if not widths:
        say.result("  ".join(columns))


def _cell(value: Any) -> str:
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else shown(value, _WIDEST)


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    return "  ".join(c.rjust(w) if r else c.ljust(w) for c, w, r in zip(cells, widths, right, strict=True)).rstrip()
