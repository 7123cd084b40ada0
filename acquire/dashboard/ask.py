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
from analysis.decision.correction import Correction

Chosen: TypeAlias = Place | None


class Written(ModalScreen[str | None]):
    """Asks a question that is answered on one line."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, question: str, placeholder: str = "", given: str = "") -> None:
        super().__init__()
        self._question, self._placeholder, self._given = question, placeholder, given

    def compose(self) -> ComposeResult:
        """A sentence and a line to write on."""
        with Vertical(classes="question"):
            yield Static(self._question, markup=False)
            yield Input(self._given, placeholder=self._placeholder, select_on_focus=False)

    def on_mount(self) -> None:
        """Ready to write; the cursor stands still for whoever looks from afar."""
        self.query_one(Input).cursor_blink = False

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """It is answered."""
        self.dismiss(event.value.strip() or None)

    def action_leave(self) -> None:
        """Nothing is changed."""
        self.dismiss(None)


class Override(Written):
    """Asks for the reason."""

    def __init__(self, title: str) -> None:
        super().__init__(
            f"Go on from {title!r} although the data do not show it? The reason is kept with the job.",
            "reason; Enter to continue, Escape to go back",
        )


class Cylinders(Written):
    """Asks what is to be measured."""

    def __init__(self, firing_order: Sequence[int]) -> None:
        order = ",".join(map(str, firing_order))
        super().__init__(
            f"Measure which cylinders? all, or some of {order}; add intake or exhaust for one valve only. They are swept in firing "
            "order, with top dead center carried over.",
            f"all   or {order}   or {firing_order[-1]} exhaust",
        )


class TimingMoved(Written):
    """Asks by how much the timing set was moved; what the result asks for stands there already."""

    def __init__(self, correction: Correction) -> None:
        which = " and ".join(f"the {move.camshaft}" for move in correction.moves)
        super().__init__(
            f"By how many crank degrees was {which} advanced? Negative: retarded. What has changed is swept again, and held against "
            "what is predicted from the sweeps so far.",
            given=" ".join(f"{move.advance_deg:g}" for move in correction.moves),
        )


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
