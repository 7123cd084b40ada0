"""The Textual app: wires the workers to the panels, and keys to the station. What it shows is made in the panels."""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any, ClassVar, Final

from textual.app import App
from textual.binding import Binding, BindingType
from textual.screen import Screen

from acquire.dashboard.ask import Chosen, Cylinders, Override, Redo, TimingMoved
from acquire.dashboard.bell import heard
from acquire.dashboard.hung_up import hung_up
from acquire.dashboard.key_list import KeyList
from acquire.dashboard.keys import offered, to_redo
from acquire.dashboard.main_screen import MainScreen
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.review import Review
from acquire.dashboard.second import Address, Second
from acquire.dashboard.snapshot import Snapshot
from acquire.procedure.answers import moved_by, to_measure
from acquire.procedure.messages import NOTE, WARNING
from acquire.procedure.workers import Workers
from analysis.base.errors import LobetraceError

PICTURES_S: Final = 12.5  # pictures a second
_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP")
PATIENCE_S: Final = 5.0  # for a screen to close after a signal

Worker = Callable[[], Coroutine[Any, Any, None]]


class Dashboard(App[None]):
    """`workers` bring the data; `extra` are further workers (a simulated hand), each with its name."""

    CSS_PATH = Path(__file__).parent / "dashboard.tcss"
    TITLE = "lobetrace"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "said", "Confirm", tooltip="confirm what the step asks for"),
        Binding("o", "override", "Override", tooltip="go on although the data do not show it, with a reason"),
        Binding("r", "redo", "Redo", tooltip="do a step again"),
        Binding("c", "cylinders", "Cylinders", tooltip="choose the cylinders and valves to measure"),
        Binding("m", "timing", "Moved", tooltip="the timing set was moved: sweep again what has changed"),
        Binding("t", "check_tdc", "TDC again", tooltip="find TDC once more, to see whether the encoder has held"),
        Binding("x", "leave_check", "Leave this", tooltip="give up finding TDC once more"),
        Binding("space", "pause", "Pause", tooltip="hold the picture, and let it go on; recording goes on"),
        Binding("v", "review", "View", tooltip="look at the curve closely: zoom and pan"),
        Binding("b", "bell_switch", "Bell", show=False, tooltip="bell on or off"),
        Binding("d", "dark", "Dark", show=False, tooltip="dark or light background"),
        Binding("s", "second", "Phone", tooltip="the address of the second screen, for a phone or tablet"),
        Binding("question_mark,f1", "keys", "Keys", key_display="?", tooltip="this list"),
        Binding("q", "quit", "Quit", tooltip="close the capture and leave; it goes on from there"),
        Binding("ctrl+c,ctrl+q", "quit", "Quit", show=False, priority=True),
    ]

    def __init__(
        self,
        background: Workers,
        *,
        extra: tuple[tuple[str, Worker], ...] = (),
        light: bool = False,
        bell: bool = True,
        second: Second | None = None,
    ) -> None:
        super().__init__()
        self.background, self.station = background, background.station
        self._extra, self._second = extra, second
        self._bell, self._heard = bell, heard(self.station)
        self.paused = False
        self._drawn = True
        self.theme = "textual-light" if light else "textual-dark"
        self._tasks: list[asyncio.Task[None]] = []
        self._leaving: asyncio.Future[None] | None = None
        self.picture: Snapshot = snapshot_of(self.station)
        self._offered: dict[str, bool] = {}

    def get_default_screen(self) -> Screen[None]:
        """The one screen; questions lie on top of it."""
        return MainScreen()

    def on_mount(self) -> None:
        """Start the workers and the pictures."""
        self._listen_to_signals()
        self._start("reader", self.background.read)
        self._start("results", self.background.work)
        for name, worker in self._extra:
            self._start(name, worker)
        if self._second is not None:
            self._start("second screen", self._second.serve)
            self.station.say(NOTE, f"The second screen is at {self._second.address}")
        self.set_interval(1 / PICTURES_S, self.draw)

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool:
        """A key is offered and heard where it does something."""
        if action == "second":
            return self._second is not None
        return offered(self.station, curve=self.picture.has_readings).get(action, True)

    def draw(self) -> None:
        """Look, and show the newest picture."""
        if self._leaving is None and not self.is_headless and hung_up():
            self._leave()
        try:
            self.station.look()
        except LobetraceError as error:
            self.station.failed("recorder", error)
        except Exception as error:
            self.station.failed("session", error)
        try:
            newest = snapshot_of(self.station)
            if not self.paused:
                self.picture = newest
            self._show_second(newest)
            screen = self.screen_stack[0] if self.screen_stack else None
            if isinstance(screen, MainScreen):
                screen.show(self.picture, self.station.watch.state(), paused=self.paused)
                self._offer(screen)
            self._drawn = True
        except Exception as error:
            if self._drawn:  # once, not at every picture
                self.station.failed("screen", error)
            self._drawn = False
        before, self._heard = self._heard, heard(self.station)
        if self._bell and before.rings(self._heard):
            self.bell()

    def _show_second(self, picture: Snapshot) -> None:
        """What becomes of the second screen is no trouble of the measurement."""
        if self._second is None:
            return
        try:
            self._second.show(picture)
        except Exception as error:
            self._second = None
            self.station.say(
                WARNING, f"The second screen has stopped ({type(error).__name__}: {error}). The measurement goes on."
            )

    def _offer(self, screen: MainScreen) -> None:
        now = offered(self.station, curve=self.picture.has_readings)
        if now != self._offered:
            self._offered = now
            screen.refresh_bindings()

    async def action_quit(self) -> None:
        """Close the capture, then the screen."""
        await self.finish()
        self.exit()

    async def finish(self) -> None:
        """Stop the workers and close the capture, whatever else happens."""
        for task in self._tasks:
            task.cancel()
        with suppress(asyncio.CancelledError):
            await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        with suppress(LobetraceError):
            self.station.close()

    def action_said(self) -> None:
        """The sentence that the step asks for."""
        self.station.say_so()
        self.draw()

    def action_override(self) -> None:
        """Ask for a reason, then go on."""

        def chosen(reason: str | None) -> None:
            if reason:
                self._person(lambda: self.station.override(reason))

        self.push_screen(Override(self.station.session.at.title), chosen)

    def action_redo(self) -> None:
        """Ask which step, then begin it again."""

        def chosen(place: Chosen) -> None:
            if place is not None:
                self._person(lambda: self.station.redo(place))

        self.push_screen(Redo(to_redo(self.station)), chosen)

    def action_cylinders(self) -> None:
        """Ask what is to be measured."""
        station = self.station
        engine, own, valves = station.job.engine, station.job.measure.cylinder, station.session.plan.valves

        def chosen(text: str | None) -> None:
            if text:
                self._person(lambda: station.choose(to_measure(text, engine.firing_order, own, valves)))

        self.push_screen(Cylinders(engine.firing_order), chosen)

    def action_timing(self) -> None:
        """The timing set was moved: ask by how much, then sweep again what that has changed."""
        station = self.station
        correction = None if station.decision is None else station.decision.correction
        if correction is None:
            return

        def chosen(text: str | None) -> None:
            if text:
                self._person(lambda: station.timing_moved(moved_by(correction, text)))

        self.push_screen(TimingMoved(correction), chosen)

    def action_check_tdc(self) -> None:
        """TDC once more, after the sweeps."""
        self._person(self.station.check_tdc)

    def action_leave_check(self) -> None:
        """TDC is not found once more after all."""
        self._person(self.station.leave_check)

    def action_pause(self) -> None:
        """Hold the picture; recording goes on."""
        self.paused = not self.paused
        self.draw()

    def action_review(self) -> None:
        """The curve with zoom and pan."""
        if self.picture.has_readings:
            self.push_screen(Review(self.picture))

    def action_second(self) -> None:
        """Where the second screen is."""
        if self._second is not None:
            self.push_screen(Address(self._second))

    def action_bell_switch(self) -> None:
        """The bell at contacts, passes and the end of a step."""
        self._bell = not self._bell
        self.station.say(NOTE, f"The bell is {'on' if self._bell else 'off'}.")

    def action_keys(self) -> None:
        """Which keys there are."""
        screen = self.screen_stack[0]
        keys = [binding for binding in (*self.BINDINGS, *screen.BINDINGS) if isinstance(binding, Binding)]
        self.push_screen(KeyList((key, self._does(key, screen)) for key in keys))

    def _does(self, key: Binding, screen: Screen[None]) -> bool:
        return bool((screen if key in screen.BINDINGS else self).check_action(key.action.partition("(")[0], ()))

    def action_dark(self) -> None:
        """Dark or light background."""
        self.theme = "textual-light" if self.theme == "textual-dark" else "textual-dark"

    def _person(self, what: Callable[[], None]) -> None:
        try:
            what()
        except LobetraceError as error:
            self.station.say(WARNING, str(error))
        self.draw()

    def _start(self, name: str, worker: Worker) -> None:
        async def guarded() -> None:
            try:
                await worker()
            except Exception as error:
                self.station.failed(name, error)

        self._tasks.append(asyncio.create_task(guarded(), name=name))

    def _leave(self) -> None:
        self._leaving = asyncio.ensure_future(self.action_quit())

    def _listen_to_signals(self) -> None:
        """Leave on a signal; by force after a while. A terminal that has vanished ends the library's writing thread, and then
        the whole loop waits for it for ever, where no signal handler of the loop would run: so these are the interpreter's own.
        """
        loop = asyncio.get_running_loop()

        def leave(_number: int, _frame: object) -> None:
            loop.call_soon_threadsafe(self._leave)
            last = threading.Timer(PATIENCE_S, self._drop)
            last.daemon = True
            last.start()

        if self.is_headless or threading.current_thread() is not threading.main_thread():
            return
        for name in _SIGNALS:
            if hasattr(signal, name):  # not on every system
                signal.signal(getattr(signal, name), leave)

    def _drop(self) -> None:
        """The screen did not let go in time: close the capture and end."""
        with suppress(Exception):
            self.station.close()
        os._exit(1)
