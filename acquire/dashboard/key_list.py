"""A screen that lists the keys; those that do something now stand out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

_NAMES: Mapping[str, str] = {
    "enter": "Enter",
    "space": "Space",
    "question_mark,f1": "? F1",
    "down": "↑ ↓",
    "pagedown": "PgUp PgDn",
}


class KeyList(ModalScreen[None]):
    """Shown until it is left."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,f1,enter", "leave", "Back")]

    def __init__(self, keys: Iterable[tuple[Binding, bool]]) -> None:
        super().__init__()
        self._keys = tuple(keys)

    def compose(self) -> ComposeResult:
        """One line a key."""
        rows = [(_NAMES.get(key.key, key.key), key.tooltip, now) for key, now in self._keys if key.tooltip]
        with Vertical(classes="question"):
            yield Static("Keys. Those in bold do something now. Escape goes back.", markup=False)
            for name, words, now in rows:
                yield Static(f"{name:<10}{words}", markup=False, classes="now" if now else "later")

    def action_leave(self) -> None:
        """Back to the live screen."""
        self.dismiss(None)
