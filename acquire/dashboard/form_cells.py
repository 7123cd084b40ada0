"""What a person types into in the set-up form: a line of text, or a choice between a few words."""

from __future__ import annotations

from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget
from textual.widgets import Input

from analysis.job.entry import CHOICE, NUMBER, TEXT, WHOLE, Cell

_WIDTHS: Final = {TEXT: "wide", NUMBER: "", WHOLE: ""}


class Typed(Message):
    """A cell holds another text."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__()
        self.cell, self.text = name, text


class CellInput(Input):
    """A cell that is typed into."""

    def __init__(self, cell: Cell, text: str) -> None:
        super().__init__(text, compact=True, select_on_focus=True, classes=_WIDTHS.get(cell.kind, "list"))
        self.cell = cell.name
        self.cursor_blink = False

    def on_input_changed(self, event: Input.Changed) -> None:
        """Tell the form."""
        event.stop()
        self.post_message(Typed(self.cell, event.value))


class CellChoice(Widget, can_focus=True):
    """A cell with a few words to choose from: arrows and space go through them, a first letter takes its word."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space,right", "turn(1)", "Change", key_display="space"),
        Binding("left", "turn(-1)", show=False),
    ]
    value: reactive[str] = reactive("")

    def __init__(self, cell: Cell, text: str) -> None:
        super().__init__()
        self.cell, self.choices = cell.name, cell.choices
        self.set_reactive(CellChoice.value, text)

    def render(self) -> str:
        """The word that is chosen, and that there are others."""
        return f"‹ {self.value} ›"

    def watch_value(self, value: str) -> None:
        """Tell the form."""
        self.post_message(Typed(self.cell, value))

    def action_turn(self, by: int) -> None:
        """The next word, or the one before."""
        at = self.choices.index(self.value) if self.value in self.choices else -1
        self.value = self.choices[(at + by) % len(self.choices)]

    def on_key(self, event: object) -> None:
        """The first letter of a word."""
        letter = getattr(event, "character", None)
        found = [word for word in self.choices if letter and word.startswith(letter)]
        if found:
            self.value = found[0]


def widget_of(cell: Cell, text: str) -> CellInput | CellChoice:
    """The widget for a cell."""
    return CellChoice(cell, text) if cell.kind == CHOICE else CellInput(cell, text)
