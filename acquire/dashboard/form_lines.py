"""The lines of the set-up form as text in roles: pure functions of what was entered and how it was judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len, set_cell_size

from acquire.dashboard.text_lines import Line
from analysis.base.foreign import shown
from analysis.job.entry import CHOICE, NUMBER, TEXT, WHOLE, Cell, Group, Judged, Row

FIRST_CELL: Final = 30  # column in which the first cell begins
_AFTER: Final = 9  # columns for what stands behind a cell
_WIDTHS: Final = {TEXT: 40, NUMBER: 12, WHOLE: 12, CHOICE: 14}


@dataclass(frozen=True)
class FormLine:
    """One line: a group's heading, or a row of it."""

    group: Group
    row: Row | None = None

    @property
    def names(self) -> list[str]:
        """Its cells."""
        return [] if self.row is None else [cell.name for cell in self.row.cells]


def width_of(cell: Cell) -> int:
    """Columns of a cell."""
    return _WIDTHS.get(cell.kind, 30)


def column_of(row: Row, name: str) -> int:
    """Where a cell of a row begins."""
    before = [cell.name for cell in row.cells].index(name)
    return FIRST_CELL + sum(width_of(cell) + _AFTER for cell in row.cells[:before])


def drawn(line: FormLine, texts: Mapping[str, str], found: Judged, at: str) -> Line:
    """The line; the cell `at` is in hand."""
    if line.row is None:
        heads = "".join(f"{head:<{_WIDTHS[NUMBER] + _AFTER}}" for head in line.group.heads)
        title = line.group.title if not heads else f"{line.group.title:<{FIRST_CELL - 1}}{heads}"
        return ((f" {title}", "accent"),)
    sign, role = _mark(line.names, texts, found)
    pieces: list[tuple[str, str]] = [
        (f" {sign} ", role),
        (f"{line.row.label:<{FIRST_CELL - 3}}", "strong" if at in line.names else "plain"),
    ]
    for cell in line.row.cells:
        pieces += [_cell(cell, texts.get(cell.name, ""), found, at), (f" {cell.after:<{_AFTER - 1}}", "dim")]
    return tuple(pieces)


def hint(cell: Cell, found: Judged) -> str:
    """What an empty cell shows: what follows from others, that it is needed, or what is usual."""
    if cell.name in found.follows:
        return found.follows[cell.name]
    return "needed" if cell.name in found.missing else cell.usual


def bar(top: int, height: int, of: int) -> list[str]:
    """A scroll bar, a character a line; empty where all fits."""
    if of <= height:
        return [""] * height
    first, last = top * height // of, -(-(top + height) * height // of)
    return ["┃" if first <= y < last else "│" for y in range(height)]


def _cell(cell: Cell, text: str, found: Judged, at: str) -> tuple[str, str]:
    width = width_of(cell)
    if cell.kind == CHOICE:
        return set_cell_size(f"‹ {text} ›", width), "title" if cell.name == at else "plain"
    if text:
        return _fitted(shown(text), width), "bad" if cell.name in found.wrong else "strong"
    said = hint(cell, found)
    return (_fitted(said, width), "dim") if said else (set_cell_size("_" * (width - 2), width), "dim")


def _fitted(text: str, width: int) -> str:
    return set_cell_size(text, width) if cell_len(text) <= width else f"{set_cell_size(text, width - 1)}…"


def _mark(names: Sequence[str], texts: Mapping[str, str], found: Judged) -> tuple[str, str]:
    """One sign for a line: what is wrong, what does not fit, what is needed, what is good."""
    kinds = (
        ("✕", "bad", found.wrong),
        ("?", "warn", found.doubts),
        ("•", "warn", found.missing),
        ("✓", "good", [name for name in names if texts.get(name, "").strip()]),
    )
    return next(((sign, role) for sign, role, which in kinds if any(name in which for name in names)), (" ", "plain"))
