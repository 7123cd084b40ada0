"""The second screen as the live screen knows it: something that is shown every picture, and an address with its QR code."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from acquire.dashboard.snapshot import Snapshot


@dataclass(frozen=True)
class Second:
    """`show` takes a picture and returns at once, `serve` runs until it is cancelled. `code`: the QR code, white on black."""

    show: Callable[[Snapshot], None]
    serve: Callable[[], Coroutine[Any, Any, None]]
    address: str
    code: tuple[str, ...]


class Address(ModalScreen[None]):
    """The address and its code, until a key is pressed."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,enter,s", "leave", "Back")]

    def __init__(self, second: Second) -> None:
        super().__init__()
        self._second = second

    def compose(self) -> ComposeResult:
        """The code is left out where it does not fit: half of one is of no use."""
        wide, high = self.app.size
        code = self._second.code
        with Vertical(classes="address"):
            if code and len(code) + 4 <= high and len(code[0]) <= wide:
                yield Static("\n".join(code), markup=False, classes="code")
            yield Static(f"{self._second.address}\nOpen it on a phone or tablet. Escape goes back.", markup=False)

    def action_leave(self) -> None:
        """Back."""
        self.dismiss(None)
