"""The set-up form: a job entered line by line, checked as it is typed. What the lines are and mean is in analysis.job.entry.

Enter goes to the next line that is still open: it passes by what has a usual value, what follows from other lines, and what was
copied from another job. Arrows, Tab and the mouse reach every line.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar, Final

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Footer, Static

from acquire.dashboard.form_cells import CellChoice, CellInput, Typed, widget_of
from acquire.dashboard.hung_up import hung_up
from acquire.dashboard.lines import Line, Lines, wrapped
from analysis.base.errors import LobetraceError
from analysis.base.foreign import shown
from analysis.job import Job
from analysis.job.entry import FOLDER, PORT, UNITS, Cell, Group, Judged, cells, groups, judged, other_units, units_of, whole_form

Boards = Sequence[tuple[str, str]]  # port, and what answers there
_SAID_LINES: Final = 3
_LOOK_S: Final = 1.0  # between two looks whether the terminal is still there


class SetupForm(App[Path | None]):
    """`texts`: what stands in the form at first; `rest`: tables that it does not show; `settled`: cells that Enter passes by.

    `folder`: the job's, None to ask for it. `save` writes a job into a folder and returns its path, or raises of our family;
    `find` looks which boards answer. The app's result is the folder that was saved, None if it was left.
    """

    CSS_PATH = Path(__file__).parent / "form.tcss"
    TITLE = "lobetrace"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "onward", "Next", priority=True),
        Binding("down", "row(1)", "Line", key_display="↑↓", priority=True),
        Binding("up", "row(-1)", show=False, priority=True),
        Binding("pagedown", "group(1)", "Group", key_display="PgUp PgDn", priority=True),
        Binding("pageup", "group(-1)", show=False, priority=True),
        Binding("f2,ctrl+s", "save", "Save", key_display="F2", priority=True),
        Binding("escape", "leave", "Leave", priority=True),
        Binding("ctrl+c,ctrl+q", "quit", show=False, priority=True),
    ]

    def __init__(
        self,
        texts: Mapping[str, str],
        save: Callable[[Path, Job], Path],
        find: Callable[[], Awaitable[Boards]],
        *,
        folder: Path | None = None,
        rest: Mapping[str, Any] | None = None,
        settled: frozenset[str] = frozenset(),
        light: bool = False,
    ) -> None:
        super().__init__()
        self.theme = "textual-light" if light else "textual-dark"
        self.texts = dict(texts)
        self._save, self._find, self._folder, self._rest = save, find, folder, dict(rest or {})
        self._settled = set(settled)
        self._begun = dict(texts)
        self.judged: Judged = judged(self.texts, self._rest)
        self._form: tuple[Group, ...] = groups(self.texts)
        self._notice = ""
        self._leaving = False
        self._fields: dict[str, CellInput | CellChoice] = {}
        self._lines: list[tuple[Horizontal, list[CellInput | CellChoice], Static, list[Static]]] = []

    def compose(self) -> ComposeResult:
        """All lines that there can be; those that are not needed yet are hidden."""
        yield Lines(id="head")
        with VerticalScroll(id="form", can_focus=False):
            for group in whole_form(units_of(self.texts)):
                heading = Lines(classes="heading")
                heading.show([_heading(group)])
                yield heading
                for row in group.rows:
                    with Horizontal(classes="row"):
                        yield Static("", classes="mark", markup=False)
                        yield Static(row.label, classes="label", markup=False)
                        for cell in row.cells:
                            yield widget_of(cell, self.texts.get(cell.name, ""))
                            yield Static(cell.after, classes="after", markup=False)
        yield Lines(id="said")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """Begin at the first line, and look for a board meanwhile."""
        self._fields = {each.cell: each for each in self.query(CellInput)} | {each.cell: each for each in self.query(CellChoice)}
        for row in self.query(".row").results(Horizontal):
            fields = [each for each in row.children if isinstance(each, CellInput | CellChoice)]
            self._lines.append((row, fields, row.query_one(".mark", Static), [*row.query(".after").results(Static)]))
        self._draw()
        self._go(next(name for name in self._visible() if name != FOLDER or self._folder is None))
        if not self.texts.get(PORT):
            self.run_worker(self._look_for_a_board(), exit_on_error=False)
        if not self.is_headless:
            self.set_interval(_LOOK_S, self._look_at_the_terminal)
            if sys.platform != "win32":
                for number in (signal.SIGTERM, signal.SIGHUP):
                    asyncio.get_running_loop().add_signal_handler(number, self.exit)

    def on_typed(self, event: Typed) -> None:
        """A cell holds another text."""
        self._take(event.cell, event.text)

    def _take(self, name: str, text: str) -> None:
        """Judge the whole form anew if a cell's text has changed."""
        if self.texts.get(name, "") == text:
            return
        self._leaving, self._notice = False, ""
        if name == UNITS:
            self.texts = other_units(self.texts, "in" if text == "in" else "mm")
            for each, other in self.texts.items():
                self._fill(each, other)
        self.texts[name] = text
        self._settled.discard(name)
        self._draw()

    async def _all_typed(self) -> None:
        """Let the cell in hand take every key that came before this one: keys that act on the whole form would overtake them."""
        if (field := self._fields.get(self._at)) is not None:
            taken = asyncio.Event()
            field.call_later(taken.set)
            await taken.wait()
            self._take(field.cell, field.value)

    def on_descendant_focus(self) -> None:
        """What is said is of the line in hand."""
        self._say()

    def on_resize(self) -> None:
        """Another width."""
        self._say()

    async def action_onward(self) -> None:
        """The next line that is still open."""
        await self._all_typed()
        names = self._visible()
        at = names.index(self._at) + 1 if self._at in names else 0
        found = next((name for name in names[at:] if self._open(name)), None)
        if found is None:
            self._notice = "That was the last line that is asked for. F2 saves; the arrow keys reach the others."
            self._say()
        else:
            self._go(found)

    async def action_row(self, by: int) -> None:
        """The line below or above, in the same column if it has one."""
        await self._all_typed()
        rows = [[cell.name for cell in row.cells] for group in self._form for row in group.rows if self._has(row.cells[0].name)]
        at = next((n for n, row in enumerate(rows) if self._at in row), 0)
        column = rows[at].index(self._at) if self._at in rows[at] else 0
        row = rows[min(max(at + by, 0), len(rows) - 1)]
        self._go(row[min(column, len(row) - 1)])

    async def action_group(self, by: int) -> None:
        """The first line of the next group, or of this one and the one before."""
        await self._all_typed()
        firsts = [next(name for name in _names(group) if self._has(name)) for group in self._form]
        at = next((n for n, group in enumerate(self._form) if self._at in _names(group)), 0)
        if by < 0 and self._at == firsts[at]:
            at -= 1
        self._go(firsts[min(max(at + max(by, 0), 0), len(firsts) - 1)])

    async def action_save(self) -> None:
        """Write the job, or go to what is in its way."""
        await self._all_typed()
        job = self.judged.job
        if job is None:
            name = next(name for name in self._visible() if name in self.judged.wrong or name in self.judged.missing)
            self._go(name)
            return
        folder = self._folder or Path(self.texts.get(FOLDER, "").strip() or ".")
        try:
            self.exit(self._save(folder, job).parent)
        except LobetraceError as error:
            self._notice = str(error)
            self._say()

    def action_leave(self) -> None:
        """Leave without saving; where something has been entered, only when it is pressed again."""
        if self.texts == self._begun or self._leaving:
            self.exit(None)
        self._leaving = True
        self._notice = "Nothing is saved yet. Escape again leaves without saving; F2 saves."
        self._say()

    @property
    def _at(self) -> str:
        return getattr(self.focused, "cell", "")

    def _visible(self) -> list[str]:
        return [cell.name for cell in cells(self._form) if self._has(cell.name)]

    def _has(self, name: str) -> bool:
        return name != FOLDER or self._folder is None

    def _open(self, name: str) -> bool:
        """Whether Enter stops there."""
        cell = self._cell(name)
        at_lobe = self.texts.get("rig.indicator_at") == "lobe" and name in ("rig.rocker_ratio", "rig.lash_mm")
        lift = f"{name[: name.find('.', 5)]}.lift_mm" if name.startswith("card.") else name
        without_lift = lift != name and not self.texts.get(lift, "").strip()
        return not (cell.quiet or at_lobe or without_lift or name in self.judged.follows or name in self._settled)

    def _cell(self, name: str) -> Cell:
        return next(cell for cell in cells(self._form) if cell.name == name)

    def _go(self, name: str) -> None:
        if name in self._fields:
            self.screen.set_focus(self._fields[name])  # at once: the next key is for it

    def _fill(self, name: str, text: str) -> None:
        if name in self._fields and self._fields[name].value != text:
            self._fields[name].value = text

    async def _look_for_a_board(self) -> None:
        self._notice = "Looking which port a board answers at."
        self._say()
        found = await self._find()
        if len(found) == 1 and not self.texts.get(PORT):
            port, board = found[0]
            self.texts[PORT] = port
            self._settled.add(PORT)
            self._fill(PORT, port)
            self._notice = f"A board answers at {port} ({board}): the port is filled in."
        elif len(found) > 1:
            self._notice = f"Several boards answer: {', '.join(port for port, _ in found)}. Enter the port of yours."
        else:
            self._notice = "No board answers. The port may be left empty; lobetrace looks again when you measure."
        self._draw()

    def _look_at_the_terminal(self) -> None:
        if hung_up():
            self.exit(None)

    def _draw(self) -> None:
        """Judge, and bring every line up to date."""
        self.judged = judged(self.texts, self._rest)
        self._form = groups(self.texts)
        there = {cell.name: cell for cell in cells(self._form) if self._has(cell.name)}
        for row, fields, mark, afters in self._lines:
            row.display = fields[0].cell in there
            if row.display:
                _mark(mark, [each.cell for each in fields], self.texts, self.judged)
                for field, after in zip(fields, afters, strict=True):
                    _put(after, there[field.cell].after)
                    if isinstance(field, CellInput):
                        field.placeholder = self._hint(there[field.cell])
        self._say()

    def _hint(self, cell: Cell) -> str:
        """What stands in an empty cell."""
        if follows := self.judged.follows.get(cell.name):
            return follows
        return "needed" if cell.name in self.judged.missing else cell.usual

    def _say(self) -> None:
        if not self._fields:  # not on the screen yet
            return
        left = len(self.judged.missing) + len(self.judged.wrong)
        state = "complete: F2 saves" if not left else f"{left} {'line' if left == 1 else 'lines'} to fill in or correct"
        where = str(self._folder or "") or self.texts.get(FOLDER, "")
        title, width = f" New job  {shown(where)}", max(20, self.size.width)
        self.query_one("#head", Lines).show([((f"{title}{state:>{max(1, width - len(title) - 1)}} ", "title"),)])
        text, role = self._most_urgent()
        urgent = wrapped(text, width, role)[:_SAID_LINES]
        help_lines = wrapped(self._help(self._cell(self._at)), width, "dim") if self._at in self._fields else []
        self.query_one("#said", Lines).show([*help_lines[: max(1, _SAID_LINES - len(urgent))], *urgent][:_SAID_LINES])

    def _help(self, cell: Cell) -> str:
        if cell.name in self.judged.follows and self.judged.follows[cell.name].startswith("≈"):
            return f"{cell.help}; ≈ follows if the lobe is symmetric, and is not saved"
        return cell.help

    def _most_urgent(self) -> tuple[str, str]:
        """What is wrong with the line in hand, else what has just happened, else what is wrong with another."""
        at, found = self._at, self.judged
        if at in found.wrong:
            return found.wrong[at], "bad"
        if self._notice:
            return self._notice, "warn" if self._leaving else "strong"
        if at in found.doubts:
            return found.doubts[at], "warn"
        other = next((name for name in self._visible() if name in found.wrong), None)
        if other is not None:
            return found.wrong[other], "bad"
        doubtful = next((name for name in self._visible() if name in found.doubts), None)
        return (f"{self._label(doubtful)}: {found.doubts[doubtful]}", "warn") if doubtful else ("", "plain")

    def _label(self, name: str) -> str:
        return next(row.label.strip() for group in self._form for row in group.rows if name in [cell.name for cell in row.cells])


def _names(group: Group) -> list[str]:
    return [cell.name for row in group.rows for cell in row.cells]


def _heading(group: Group) -> Line:
    text = f" {group.title}"
    if group.heads:
        text = f" {'Cam card':<29} " + "".join(f"{head:<21}" for head in group.heads)
    return ((f"{text:<79}", "accent"),)


def _mark(mark: Static, names: Sequence[str], texts: Mapping[str, str], found: Judged) -> None:
    """One sign for a line: what is wrong, what does not fit, what is needed, what is good."""
    kinds = (
        ("✕", "wrong", found.wrong),
        ("?", "doubt", found.doubts),
        ("•", "doubt", found.missing),
        ("✓", "good", [name for name in names if texts.get(name, "").strip()]),
    )
    sign, role = next(((sign, role) for sign, role, which in kinds if any(name in which for name in names)), (" ", "good"))
    _put(mark, sign)
    mark.set_classes(f"mark {role}")


def _put(where: Static, text: str) -> None:
    """Text into a widget, if it holds another."""
    if where.content != text:
        where.update(text)
