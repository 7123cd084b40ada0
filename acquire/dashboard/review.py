"""The curve looked at closely: zoom and pan by a library's plot, of data thinned beforehand (see acquire.dashboard.braille)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Footer, Static
from textual_plot import HiResMode, PlotWidget

from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.tracing import turned
from analysis.base.words import MM_PER

_STEP: Final = {"mm": 1.0, "in": 0.05}  # the axis ends at a whole number of these
_TITLE: Final = "lift in {} over crank degrees from overlap TDC"


class Review(ModalScreen[None]):
    """Shows the curve of a snapshot; the snapshot does not move."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back"), Binding("v", "leave", "Back", show=False)]

    def __init__(self, picture: Snapshot) -> None:
        super().__init__()
        self._picture = picture

    def compose(self) -> ComposeResult:
        """A title, the plot, the keys."""
        valve = "" if self._picture.curve is None else self._picture.curve.valve
        yield Static(f" {valve}: {_TITLE.format(self._picture.job.measure.units)}", markup=False)
        if self._picture.has_readings:
            yield PlotWidget()
        else:
            yield Static(" Nothing has been read yet: there is no curve to look at.", markup=False)
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """Draw once."""
        curve = self._picture.curve
        if curve is None or not self._picture.has_readings:
            return
        plot = self.query_one(PlotWidget)
        zero = 0.0 if np.isnan(curve.trace.zero_mm) else curve.trace.zero_mm
        units = self._picture.job.measure.units
        lift = ((turned(curve.trace.low, curve.shift) + turned(curve.trace.high, curve.shift)) / 2 - zero) / MM_PER[units]
        deg = np.arange(lift.size) / 2 - 360.0
        seen = ~np.isnan(lift)
        plot.plot(deg[seen], lift[seen], line_style="bold", hires_mode=HiResMode.BRAILLE)
        if curve.marks:
            marks = np.array(curve.marks)
            plot.scatter(marks[:, 0], marks[:, 1] / MM_PER[units], marker="◆", marker_style="bold")
        plot.set_xlabel("crank degrees from overlap TDC")
        plot.set_ylabel(units)
        plot.set_xlimits(-360, 360)
        step = _STEP[units]
        plot.set_ylimits(min(0.0, np.floor(lift[seen].min() / step) * step), (np.ceil(lift[seen].max() / step) + 1) * step)
        plot.focus()

    def action_leave(self) -> None:
        """Back to the live screen."""
        self.dismiss(None)
