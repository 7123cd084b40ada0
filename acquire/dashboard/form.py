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
from textual.widgets import Footer, Input

from acquire.dashboard.form_body import Changed, FormBody, Pointed
from acquire.dashboard.form_lines import FormLine
from acquire.dashboard.hung_up import hung_up
from acquire.dashboard.lines import Lines
from acquire.dashboard.text_lines import wrapped
from analysis.base.errors import LobetraceError
from analysis.base.foreign import shown
from analysis.job import Job
from analysis.job.entry import FOLDER, PORT, UNITS, Cell, Judged, groups, judged, other_units

Boards = Sequence[tuple[str, str]]  # port, and what answers there
_SAID_LINES: Final = 3
_LOOK_S: Final = 1.0  # between two looks whether the terminal is still there


class SetupForm(App[Path | None]):
    """`texts`: what stands in the form at first; `rest`: tables that it does not show; `settled`: cells that Enter passes by.

    `folder`: the job's, None to ask for it. `save` writes a job into a folder and returns the job file's path, or raises of our
    family; `find` looks which boards answer. The app's result is the folder that was saved, None if the form was left.
    """

    CSS_PATH = Path(__file__).parent / "form.tcss"
    TITLE = "lobetrace"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,ctrl+j", "onward", "Next", key_display="⏎", priority=True),
        Binding("down", "row(1)", "Line", key_display="↑↓", priority=True),
        Binding("up", "row(-1)", show=False, priority=True),
        Binding("tab", "cell(1)", show=False, priority=True),
        Binding("shift+tab", "cell(-1)", show=False, priority=True),
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
        self._settled, self._begun = set(settled), dict(texts)
        self._notice, self._leaving = "", False
        self._judge()

    def compose(self) -> ComposeResult:
        """From top to bottom: what it is about, the lines, what is said of them, the keys."""
        yield Lines(id="head")
        yield FormBody()
        yield Lines(id="said")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """Begin at the first line, and look for a board meanwhile."""
        self._go(self._names()[0])
        if not self.texts.get(PORT):
            self.run_worker(self._look_for_a_board(), exit_on_error=False)
        if not self.is_headless:
            self.set_interval(_LOOK_S, self._look_at_the_terminal)
            if sys.platform != "win32":
                for number in (signal.SIGTERM, signal.SIGHUP):
                    asyncio.get_running_loop().add_signal_handler(number, self.exit)

    def on_changed(self, _event: Changed) -> None:
        """The cell in hand holds another text, or there is room for other lines."""
        self._take()
        self._draw()

    async def on_pointed(self, event: Pointed) -> None:
        """The cell that was clicked."""
        self._go(event.cell)

    def on_mouse_scroll_down(self) -> None:
        """Lines further down."""
        self.run_worker(self.action_row(1))

    def on_mouse_scroll_up(self) -> None:
        """Lines further up."""
        self.run_worker(self.action_row(-1))

    async def action_onward(self) -> None:
        """The next line that is still open."""
        await self._all_typed()
        names = self._names()
        found = next((name for name in names[names.index(self.at) + 1 :] if self._open(name)), None)
        if found is not None:
            self._go(found)
        else:
            self._tell("That was the last line that is asked for. F2 saves; the arrow keys reach the others.")

    async def action_cell(self, by: int) -> None:
        """The next cell, or the one before."""
        await self._all_typed()
        names = self._names()
        self._go(names[(names.index(self.at) + by) % len(names)])

    async def action_row(self, by: int) -> None:
        """The line below or above, in the same column if it has one."""
        await self._all_typed()
        rows = [line.names for line in self._lines if line.names]
        at = next(n for n, row in enumerate(rows) if self.at in row)
        row = rows[min(max(at + by, 0), len(rows) - 1)]
        self._go(row[min(rows[at].index(self.at), len(row) - 1)])

    async def action_group(self, by: int) -> None:
        """The first line of the next group, or of this one and then of the one before."""
        await self._all_typed()
        firsts = [line.names[0] for last, line in zip(self._lines, self._lines[1:], strict=False) if not last.names]
        here = next(line.group for line in self._lines if self.at in line.names)
        at = [line.group for line in self._lines if not line.names].index(here)
        step = by if by > 0 or self.at == firsts[at] else 0
        self._go(firsts[min(max(at + step, 0), len(firsts) - 1)])

    async def action_save(self) -> None:
        """Write the job, or go to what is in its way."""
        await self._all_typed()
        job = self.judged.job
        if job is None:
            self._go(next(name for name in self._names() if name in self.judged.wrong or name in self.judged.missing))
            return
        try:
            self.exit(self._save(self._folder or Path(self.texts.get(FOLDER, "").strip() or "."), job).parent)
        except LobetraceError as error:
            self._tell(str(error))

    async def action_leave(self) -> None:
        """Leave without saving; where something has been entered, only when it is pressed again."""
        await self._all_typed()
        if self.texts == self._begun or self._leaving:
            self.exit(None)
        self._leaving = True
        self._tell("Nothing is saved yet. Escape again leaves without saving; F2 saves.")

    @property
    def at(self) -> str:
        """The name of the cell in hand."""
        cell = self._body.cell
        return "" if cell is None else cell.name

    @property
    def _body(self) -> FormBody:
        return self.query_one(FormBody)

    def cell(self, name: str) -> Cell:
        """The cell of a name."""
        return next(cell for line in self._lines if line.row is not None for cell in line.row.cells if cell.name == name)

    def _names(self) -> list[str]:
        return [name for line in self._lines for name in line.names]

    def _open(self, name: str) -> bool:
        """Whether Enter stops there."""
        at_lobe = self.texts.get("rig.indicator_at") == "lobe" and name in ("rig.rocker_ratio", "rig.lash_mm")
        lift = ".".join((*name.split(".")[:2], "lift_mm")) if name.startswith("card.") else name
        without_lift = lift != name and not self.texts.get(lift, "").strip()
        passed = self.cell(name).quiet or name in self.judged.follows or name in self._settled
        return not (passed or at_lobe or without_lift)

    def _go(self, name: str) -> None:
        self._body.take_in_hand(self.cell(name), self.texts.get(name, ""))
        self._draw()

    async def _all_typed(self) -> None:
        """Let the cell in hand take every key that came before this one: keys that act on the whole form would overtake them."""
        for widget in (self._body.query_one(Input), self._body):
            taken = asyncio.Event()
            widget.call_later(taken.set)
            await taken.wait()
        if self._body.query_one(Input).display:
            self._body.held = self._body.query_one(Input).value
        self._take()

    def _take(self) -> None:
        """Judge the whole form anew if the text of the cell in hand has changed."""
        name, text = self.at, self._body.held
        if self.texts.get(name, "") == text:
            return
        self._leaving, self._notice = False, ""
        if name == UNITS:
            self.texts = other_units(self.texts, "in" if text == "in" else "mm")
        self.texts[name] = text
        self._settled.discard(name)
        self._judge()
        self._draw()

    def _judge(self) -> None:
        self.judged: Judged = judged(self.texts, self._rest)
        self._lines: list[FormLine] = []
        for group in groups(self.texts):
            rows = [row for row in group.rows if row.cells[0].name != FOLDER or self._folder is None]
            self._lines += [FormLine(group), *(FormLine(group, row) for row in rows)]

    async def _look_for_a_board(self) -> None:
        self._tell("Looking which port a board answers at.")
        found = await self._find()
        if len(found) == 1 and not self.texts.get(PORT) and self.at != PORT:
            port, board = found[0]
            self.texts[PORT] = port
            self._settled.add(PORT)
            self._judge()
            self._tell(f"A board answers at {port} ({board}): the port is filled in.")
        elif found:
            self._tell(f"A board answers at: {', '.join(port for port, _ in found)}. Enter the port of yours.")
        else:
            self._tell("No board answers. The port may be left empty; lobetrace looks again when you measure.")

    def _look_at_the_terminal(self) -> None:
        if hung_up():
            self.exit(None)

    def _tell(self, notice: str) -> None:
        self._notice = notice
        self._draw()

    def _draw(self) -> None:
        """Bring everything up to date."""
        if not self.at:  # not on the screen yet
            return
        width = max(20, self.size.width)
        left = len(self.judged.missing) + len(self.judged.wrong)
        state = "complete: F2 saves" if not left else f"{left} {'line' if left == 1 else 'lines'} to fill in or correct"
        title, room = f" New job  {shown(str(self._folder or self.texts.get(FOLDER, '')))}", max(1, width - len(state) - 3)
        title = title if len(title) <= room else f"{title[: room - 1]}…"
        self.query_one("#head", Lines).show([((f"{title:<{room}}  {state} ", "title"),)])
        self._body.draw(self._lines, self.texts, self.judged)
        text, role = self._most_urgent()
        urgent = wrapped(text, width, role)[:_SAID_LINES]
        help_lines = wrapped(self._help(self.cell(self.at)), width, "dim")
        self.query_one("#said", Lines).show([*help_lines[: max(1, _SAID_LINES - len(urgent))], *urgent][:_SAID_LINES])

    def _help(self, cell: Cell) -> str:
        if self.judged.follows.get(cell.name, "").startswith("≈"):
            return f"{cell.help}; ≈ follows if the lobe is symmetric, and is not saved"
        return cell.help

    def _most_urgent(self) -> tuple[str, str]:
        """What is wrong with the line in hand, else what has just happened, else what is wrong with another."""
        at, found = self.at, self.judged
        if at in found.wrong:
            return found.wrong[at], "bad"
        if self._notice:
            return self._notice, "warn" if self._leaving else "strong"
        if at in found.doubts:
            return found.doubts[at], "warn"
        for said, role in ((found.wrong, "bad"), (found.doubts, "warn")):
            if name := next((name for name in self._names() if name in said), ""):
                return f"{self._label(name)}: {said[name]}", role
        return "", "plain"

    def _label(self, name: str) -> str:
        return next(line.row.label.strip() for line in self._lines if line.row is not None and name in line.names)
