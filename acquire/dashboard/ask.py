"""Questions that lie on top of the screen: why a step is overridden, and which step is done again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, TypeAlias

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static

from acquire.procedure.session import Place

Chosen: TypeAlias = Place | None


class Override(ModalScreen[str | None]):
    """Asks for the reason."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, title: str) -> None:
        super().__init__()
        self._title = title

    def compose(self) -> ComposeResult:
        """A sentence and a line to write on."""
        with Vertical(classes="question"):
            yield Static(
                f"Go on from {self._title!r} although the data do not show it? The reason is kept with the job.", markup=False
            )
            yield Input(placeholder="reason; Enter to continue, Escape to go back", select_on_focus=False)

    def on_mount(self) -> None:
        """Ready to write; the cursor stands still for whoever looks from afar."""
        self.query_one(Input).cursor_blink = False

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The reason is written."""
        self.dismiss(event.value.strip() or None)

    def action_leave(self) -> None:
        """Nothing is overridden."""
        self.dismiss(None)


class Redo(ModalScreen[Chosen]):
    """Asks for the step."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, offered: Sequence[Place]) -> None:
        super().__init__()
        self._offered = offered

    def compose(self) -> ComposeResult:
        """A list."""
        with Vertical(classes="question"):
            yield Static("Do which step again? What was recorded stays. Arrows and Enter choose, Escape goes back.", markup=False)
            yield OptionList(*(place.title for place in self._offered), markup=False)

    def on_mount(self) -> None:
        """The step in hand first."""
        self.query_one(OptionList).highlighted = len(self._offered) - 1

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """A step is chosen."""
        self.dismiss(self._offered[event.option_index])

    def action_leave(self) -> None:
        """Nothing is done again."""
        self.dismiss(None)
