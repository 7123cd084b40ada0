"""A widget that is a few lines of text in roles: only lines that have changed are drawn again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from acquire.dashboard.text_lines import ROLES, Line
from analysis.base.foreign import harmless


class Lines(Widget):
    """Shows lines of (text, role). A line that is too long is cut."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"lines--{role}" for role in ROLES}
    DEFAULT_CSS = """
    Lines { height: 1; width: 100%; }
    Lines > .lines--dim { color: $text-muted; }
    Lines > .lines--strong { text-style: bold; }
    Lines > .lines--good { color: $text-success; text-style: bold; }
    Lines > .lines--warn { color: $text-warning; text-style: bold; }
    Lines > .lines--bad { color: $text-error; text-style: bold; }
    Lines > .lines--alarm { text-style: bold reverse; }
    Lines > .lines--accent { color: $text-accent; }
    Lines > .lines--trace { color: $text-primary; }
    Lines > .lines--mark { color: $text-warning; text-style: bold; }
    Lines > .lines--cursor { color: $text-accent; text-style: bold; }
    Lines > .lines--title { text-style: bold reverse; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: list[Line] = []
        self._strips: dict[int, Strip] = {}

    def show(self, lines: Sequence[Line]) -> None:
        """Show these; what has not changed is left alone."""
        lines = list(lines)
        height = max(len(lines), len(self._shown))
        for y in range(height):
            if (lines[y] if y < len(lines) else None) != (self._shown[y] if y < len(self._shown) else None):
                self._strips.pop(y, None)
                self.refresh(Region(0, y, max(self.size.width, 1), 1))
        self._shown = lines

    def text(self) -> str:
        """What is shown, as plain text."""
        return "\n".join("".join(piece for piece, _ in line) for line in self._shown)

    def render_line(self, y: int) -> Strip:
        """One line, padded to the widget's width."""
        width = self.size.width
        strip = self._strips.get(y)
        if strip is None or strip.cell_length != width:
            strip = self._strips[y] = self._strip(self._shown[y], width) if y < len(self._shown) else self._strip((), width)
        return strip

    def notify_style_update(self) -> None:
        """Colors have changed: draw everything again."""
        super().notify_style_update()
        self._strips.clear()

    def on_resize(self) -> None:
        """Another width: draw everything again."""
        self._strips.clear()

    def _strip(self, line: Line, width: int) -> Strip:
        segments, left = [], width
        for text, role in line:
            text = harmless(text).replace("\n", " ")
            style = self.get_component_rich_style(f"lines--{role}")
            size = cell_len(text)
            if size > left:
                text, size = set_cell_size(text, left), left
            segments.append(Segment(text, style))
            left -= size
            if left <= 0:
                break
        return Strip(segments).extend_cell_length(width, self.rich_style).adjust_cell_length(width, self.rich_style)
