"""The one screen: panels from top to bottom, as many lines each as the terminal allows."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from textual.app import ComposeResult
from textual.screen import Screen
from textual.widgets import Footer

from acquire.dashboard import panels, readout, tracing
from acquire.dashboard.lines import Line, Lines
from acquire.dashboard.snapshot import LinkState, Snapshot
from acquire.dashboard.verdict import event_table
from acquire.steps import CAUTIONS, DONE, RESULT, SWEEP, ZERO

LEAST: Final = (80, 24)


class MainScreen(Screen[None]):
    """Draws snapshots."""

    def compose(self) -> ComposeResult:
        """Panels in their order."""
        for name in (
            "head",
            "readout",
            "banner",
            "do",
            "needs",
            "trace",
            "coverage",
            "events",
            "panel",
            "messages",
            "link",
            "small",
        ):
            yield Lines(id=name)
        yield Footer(show_command_palette=False)

    def show(self, picture: Snapshot, link: LinkState, *, paused: bool = False) -> None:
        """Bring every panel up to date. `link` is newer than the picture if that is held."""
        width, height = self.size
        if not width or not height:
            return
        link = replace(link, file=picture.link.file, rows=picture.link.rows) if not link.file else link
        if width < LEAST[0] or height < LEAST[1]:
            self._fill({"small": _too_small(width, height, link)})
            return
        parts: dict[str, list[Line]] = {
            "head": panels.head(picture, width),
            "do": panels.do(picture, width)[: None if height >= 28 or picture.curve is None else 1],
            "link": panels.link(link, width, paused=paused),
        }
        step = picture.place.step
        if step not in (CAUTIONS, RESULT, DONE):
            parts["readout"] = readout.readout(picture, width, readout.scale_for(width, height))
            parts["banner"] = panels.banner(picture)
        if step in (ZERO, SWEEP):
            parts["needs"] = panels.needs_in_a_row(picture)
            valve = picture.curve.valve if picture.curve is not None else "intake"
            parts["events"] = event_table(picture, valve, picture.events, width)
            parts["coverage"] = tracing.coverage(picture, width)
        left = height - 1 - sum(len(lines) for lines in parts.values())
        news = panels.news(picture, width, 1 if left < 9 else 2 if left < 20 or step in (RESULT, DONE) else 4)
        parts["messages"] = panels.messages(picture, width, news)
        left -= news
        if step in (ZERO, SWEEP):
            parts["trace"] = tracing.trace(picture, width, left) or [()] * left
        else:
            lines = panels.panel(picture, width)
            if len(lines) > left > 0:
                lines = [*lines[: left - 1], ((f" … {len(lines) - left + 1} more lines in a larger terminal", "dim"),)]
            parts["panel"] = lines + [()] * (left - len(lines))
        self._fill(parts)

    def _fill(self, parts: dict[str, list[Line]]) -> None:
        for widget in self.query(Lines):
            lines = parts.get(widget.id or "", [])
            widget.display = bool(lines)
            if lines:
                if widget.styles.height is None or widget.styles.height.value != len(lines):
                    widget.styles.height = len(lines)
                widget.show(lines)


def _too_small(width: int, height: int, link: LinkState) -> list[Line]:
    return [
        ((f"{width}x{height} is too small.", "strong"),),
        ((f"Needed: {LEAST[0]}x{LEAST[1]}.", "plain"),),
        (("Recording goes on." if link.file else f"The link is {link.state}.", "plain"),),
    ]
