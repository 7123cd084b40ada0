"""The one screen: panels from top to bottom, as many lines each as the terminal allows."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Footer

from acquire.dashboard import panels, readout, tracing
from acquire.dashboard.lines import Lines
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.text_lines import Line
from acquire.dashboard.verdict_view import event_table
from acquire.dashboard.window import furthest, window
from acquire.procedure.link_state import LinkState
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, SWEEP, ZERO

LEAST: Final = (80, 24)
_TRACE: Final = 4  # lines that the curve keeps, however many events there are
_ALL: Final = 1 << 16  # more lines than any panel has


class MainScreen(Screen[None]):
    """Draws snapshots."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "down", "turn('line', 1)", "More", key_display="↑↓", tooltip="other lines of a panel that is longer than the screen"
        ),
        Binding("up", "turn('line', -1)", show=False),
        Binding("pagedown", "turn('page', 1)", show=False),
        Binding("pageup", "turn('page', -1)", show=False),
        Binding("end", "turn('all', 1)", show=False),
        Binding("home", "turn('all', -1)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._top, self._page, self._longer = 0, 1, False
        self._shown: tuple[Snapshot, LinkState, bool] | None = None

    def compose(self) -> ComposeResult:
        """Panels in their order."""
        for name in (
            "head",
            "do",
            "readout",
            "banner",
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

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool:
        """The keys that turn the panel are offered where it is longer than the screen."""
        return self._longer if action == "turn" else True

    def action_turn(self, by: str, way: int) -> None:
        """Other lines of the panel."""
        if self._shown is not None:
            picture, link, paused = self._shown
            self._top = max(0, self._top + way * {"line": 1, "page": self._page}.get(by, _ALL))
            self.show(picture, link, paused=paused)

    def show(self, picture: Snapshot, link: LinkState, *, paused: bool = False) -> None:
        """Bring every panel up to date. `link` is newer than the picture if that is held."""
        if self._shown is not None and self._shown[0].place != picture.place:
            self._top = 0
        self._shown = picture, link, paused
        width, height = self.size
        if not width or not height:
            return
        link = replace(link, file=picture.link.file, rows=picture.link.rows) if not link.file else link
        if width < LEAST[0] or height < LEAST[1]:
            self._fill({"small": _too_small(width, height, link)})
            return
        parts: dict[str, list[Line]] = {
            "head": panels.head(picture, width, paused=paused),
            "do": panels.do(picture, width),
            "link": panels.link(link, width),
        }
        step = picture.place.step
        if step not in (CAUTIONS, RESULT, DONE):
            parts["readout"] = readout.readout(picture, width, readout.scale_for(width, height), paused=paused)
            parts["banner"] = panels.banner(picture)
        if step in (ZERO, SWEEP):
            parts["needs"] = panels.needs_in_a_row(picture)
            parts["coverage"] = tracing.coverage(picture, width)
        left = height - 1 - sum(len(lines) for lines in parts.values())
        if step == SWEEP:
            valve = picture.curve.valve if picture.curve is not None else "intake"
            parts["events"] = event_table(picture, valve, picture.events, width)
            parts["events"] = parts["events"][: max(0, left - panels.news(picture, width, 1) - _TRACE)]
            left -= len(parts["events"])
        usual = min(2, len(picture.messages)) if step in (RESULT, DONE) else 1 if left < 9 else 2 if left < 20 else 4
        news = panels.news(picture, width, usual)  # a result takes what the messages leave
        parts["messages"] = panels.messages(picture, width, news)
        left -= news
        if step in (ZERO, SWEEP):
            parts["trace"] = tracing.trace(picture, width, left) or [()] * left
            self._offer_to_turn(False)
        else:
            parts["panel"] = self._window(panels.panel(picture, width, left), left)
        self._fill(parts)

    def _window(self, lines: list[Line], height: int) -> list[Line]:
        """What of a long panel is in sight."""
        most = furthest(lines, height)
        self._top, self._page = min(self._top, most), max(1, height - 2)
        self._offer_to_turn(most > 0)
        return window(lines, height, self._top)

    def _offer_to_turn(self, longer: bool) -> None:
        if longer != self._longer:
            self._longer = longer
            self.refresh_bindings()

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
