"""The body of the set-up form: its lines are drawn, and one field to type into lies over the cell in hand.

A widget for each cell would be some hundred of them, which a screen takes a tenth of a second to arrange at every key.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widgets import Input

from acquire.dashboard.form_lines import FormLine, bar, column_of, drawn, hint, width_of
from acquire.dashboard.lines import Lines
from acquire.dashboard.text_lines import Line
from analysis.job.entry import CHOICE, Cell, Judged


class Changed(Message):
    """The cell in hand holds another text, or there is room for other lines."""


class Pointed(Message):
    """A cell was clicked."""

    def __init__(self, cell: str) -> None:
        super().__init__()
        self.cell = cell


class FormBody(Lines, can_focus=True):
    """Shows the lines around the cell in hand. `held` is what that cell holds."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space,right", "turn(1)", "Change", key_display="space"),
        Binding("left", "turn(-1)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__(id="body")
        self.cell: Cell | None = None
        self.held = ""
        self._top = 0
        self._lines: Sequence[FormLine] = ()

    def compose(self) -> ComposeResult:
        """The field."""
        yield Input(compact=True, select_on_focus=True)

    def on_mount(self) -> None:
        """The cursor stands still for whoever looks from afar."""
        self.query_one(Input).cursor_blink = False

    def take_in_hand(self, cell: Cell, text: str) -> None:
        """Type into another cell from now on."""
        field = self.query_one(Input)
        self.cell, self.held = cell, text
        with field.prevent(Input.Changed):
            field.value = text
        choice = cell.kind == CHOICE
        field.display = not choice
        self.screen.set_focus(self if choice else field)  # at once: the next key is for it
        field.action_select_all()

    def fill(self, text: str) -> None:
        """Another text in the cell in hand."""
        self.held = text
        with self.query_one(Input).prevent(Input.Changed):
            self.query_one(Input).value = text

    def draw(self, lines: Sequence[FormLine], texts: Mapping[str, str], found: Judged) -> None:
        """Bring the lines up to date, the cell in hand among them."""
        height, cell = self.size.height, self.cell
        if height <= 0 or cell is None:
            return
        self._lines = lines
        at = next((n for n, line in enumerate(lines) if cell.name in line.names), 0)
        most = max(0, len(lines) - height)
        self._top = min(max(self._top, at - height + 2), max(at - 1, 0), most)
        field, row = self.query_one(Input), lines[at].row
        if row is not None:
            field.styles.offset = (column_of(row, cell.name), at - self._top)
            field.styles.width = width_of(cell)
        field.placeholder = hint(cell, found)
        window = [drawn(line, texts, found, cell.name) for line in lines[self._top : self._top + height]]
        self.show(
            [
                _with_bar(line, sign, self.size.width)
                for line, sign in zip(window, bar(self._top, height, len(lines)), strict=False)
            ]
        )

    def on_resize(self) -> None:
        """Another size: other lines fit."""
        super().on_resize()
        self.post_message(Changed())

    def on_input_changed(self, event: Input.Changed) -> None:
        """What the field holds now, not what it held then: it may be over another cell by now."""
        event.stop()
        if self.held != self.query_one(Input).value:
            self.held = self.query_one(Input).value
            self.post_message(Changed())

    def action_turn(self, by: int) -> None:
        """The next word of a choice, or the one before."""
        if self.cell is not None and self.cell.choices:
            at = self.cell.choices.index(self.held) if self.held in self.cell.choices else -1
            self._choose(self.cell.choices[(at + by) % len(self.cell.choices)])

    def on_key(self, event: events.Key) -> None:
        """The first letter of a word of a choice."""
        words = self.cell.choices if self.cell is not None else ()
        if found := [word for word in words if event.character and word.startswith(event.character)]:
            event.stop()
            self._choose(found[0])

    def on_click(self, event: events.Click) -> None:
        """Which cell lies there."""
        line = self._lines[self._top + event.y] if self._top + event.y < len(self._lines) else None
        if line is not None and line.row is not None:
            cells = [cell for cell in line.row.cells if column_of(line.row, cell.name) <= event.x] or line.row.cells[:1]
            self.post_message(Pointed(cells[-1].name))

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool:
        """Only a choice is changed by the space bar."""
        return action != "turn" or (self.cell is not None and self.cell.kind == CHOICE)

    def _choose(self, word: str) -> None:
        self.held = word
        self.post_message(Changed())


def _with_bar(line: Line, sign: str, width: int) -> Line:
    """The line with a piece of the scroll bar at its end."""
    used = sum(len(text) for text, _ in line)
    return (*line, (" " * max(0, width - used - 1), "plain"), (sign, "dim")) if sign else line
