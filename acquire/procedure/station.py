"""The whole state behind the screen: link, recording, session. Takes outcomes and a person's words. No screen, no loop.

Frames go to the recorder first. What the data show moves the session on (`look`), and everything that moves it is written down.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence, Set
from contextlib import suppress
from pathlib import Path
from typing import Final

from acquire.link.outcomes import Batch, Broken, Ended, Idle, Outcome
from acquire.link.reconnect import Connected
from acquire.procedure.facts import facts_of
from acquire.procedure.headers import header_for
from acquire.procedure.link_state import LinkWatch
from acquire.procedure.located_tdc import LocatedTdc
from acquire.procedure.messages import ERROR, NOTE, RECORDER, WARNING, MessageLog
from acquire.procedure.recorded_step import RESTED_US, RecordedStep
from acquire.procedure.session import (
    CHOSEN,
    LEFT,
    MOVED,
    REDONE,
    TDC_AGAIN,
    TDC_LOST,
    Choice,
    Facts,
    Happened,
    Moved,
    Place,
    after,
    check_in_hand,
    looked_at,
    override,
    places,
    redo,
)
from acquire.procedure.setup import Setup, begun, direction_of_rotation
from acquire.procedure.steps import RIG, SAID, STEPS, STOP, SWEEP, TRAVEL, ZERO
from acquire.record.recorder import Recorder
from acquire.wire import Event, Hello
from analysis.base.errors import CaptureError, LobetraceError, UsageError
from analysis.base.samples import Board
from analysis.capture import header_of
from analysis.decision.decide import Decision
from analysis.decision.recheck import Again
from analysis.job.folder import UNFINISHED, captures_of, keep_as_before, put_aside
from analysis.live.partial import LiveResult
from analysis.lobe.result import Measurement

_LINK, _BOARD, _TDC = "link", "board", "tdc"  # what a message is about
_NOT_COMPARED: Final = (
    "The board has started again since TDC was found, and there is no index pulse: TDC found now cannot be compared with it."
)


class Station:
    """One job at one engine. `clock` in seconds, for ages and rates only."""

    def __init__(self, setup: Setup, clock: Callable[[], float]) -> None:
        self.setup, self.job = setup, setup.job
        self.session = begun(setup)
        self.recording: RecordedStep | None = None
        self.watch = LinkWatch(clock)
        self.messages = MessageLog(clock)
        self.located = LocatedTdc(setup.job, setup.found_by)
        self.forward = direction_of_rotation(setup)
        self.live: LiveResult | None = None
        self.result: Measurement | None = None
        self.decision: Decision | None = None  # of everything recorded, in the result steps
        self.again: tuple[Again, ...] = ()  # the same beside what was predicted, after the timing set was moved
        self.fits = 0
        self.ended = 0  # how often a step came to its end: the bell
        self.reconnects = 0  # how often a board was greeted after the first time
        self._board: Board | None = None
        self._link = ""
        self.said = False  # what the step in hand asks a person to say
        self._place_recorded = self.session.at

    # what comes in

    def take(self, outcome: Connected | Outcome) -> None:
        """What the source gave. CaptureError if it cannot be recorded."""
        match outcome:
            case Connected(hello=hello, same_count=same, missed=missed):
                self.watch.connected(hello, missed)
                self.messages.resolved(_LINK)
                self._greeted(hello.board, same, missed)
            case Batch(events=events):
                self.watch.batch(outcome)
                self.messages.resolved(_LINK)
                self._events(events)
            case Idle():
                self._events(())  # that nothing comes the watch sees by its clock
            case Ended() | Broken():
                self._gone(outcome)

    def _events(self, events: Sequence[Event]) -> None:
        for k, event in enumerate(events):
            if isinstance(event, Hello) and (self._board is None or event.restarted):
                self._record(events[:k])
                self._greeted(event.board, None if self._board is None else False, 0)
                self._events(events[k + 1 :])
                return
        self._record(events)

    def _record(self, events: Sequence[Event]) -> None:
        if self.recording is not None:
            self.recording.add(events)

    def _greeted(self, board: Board, same: bool | None, missed: int) -> None:
        """A board is there. Without one zero with what came before, what is being recorded begins anew; in a recording that stands
        alone it goes on in the same file, which says so, and what counts is what came until then.
        """
        first, before, self._board = self._board is None, self._board, board
        self.reconnects += not first
        recorder = None if self.recording is None else self.recording.recorder
        if not first and recorder is not None and (same or self.setup.alone is not None):
            recorder.start(board, same_count=bool(same), missed=missed)
        if not first and same and self.recording is not None:
            self.say(NOTE, f"The board came back and went on counting; {missed} frames are missing.")
            return
        if not first and self.setup.alone is not None and self.recording is not None:
            self.recording.starts_again()
            self.say(WARNING, "The board started again: its count began anew, and what comes now does not count.")
            return
        self._link = uuid.uuid4().hex
        if not first:
            said = "The board started again: its count began anew, and so does this recording."
            self.messages.say(WARNING, said, about=_BOARD)
        carried = self.setup.guided and (before is not None or bool(self.located.found_by)) and self._may_carry(board)
        self.begin()
        if carried and not first:
            self.say(NOTE, "Top dead center is kept: it comes back with the next index pulse.")

    def _may_carry(self, board: Board) -> bool:
        """TDC survives a new start by the index pulse, or by a board that tells its starts apart. Whether one was needed, and did."""
        left = [place for place in places(self.session.plan) if place.step == SWEEP and place not in self.session.done]
        checked = check_in_hand(self.session)
        if not left and checked is not None and not self.located.holds(header_for(self.setup, checked, board, self._link)):
            self._leave(checked)
            self.say(ERROR, f"{_NOT_COMPARED} What was measured stays, without a re-check of TDC.")
        if not left or not (self.located.found_by or self.session.done & {Place(STOP), Place(TRAVEL)}):
            return False
        if self.located.holds(header_for(self.setup, left[0], board, self._link)):
            return True
        self.located.lose()
        self._moved(Happened(TDC_LOST, self.session.at))
        said = "There is no index pulse to find the place by: top dead center must be found again."
        self.messages.say(ERROR, said, about=_TDC)
        return False

    def _gone(self, outcome: Ended | Broken) -> None:
        self.watch.gone(outcome)
        if isinstance(outcome, Broken) and self.watch.tries == 1:
            self.messages.say(ERROR, str(outcome.error), about=_LINK)
        elif isinstance(outcome, Ended) and self.setup.replayed is not None:
            self.say(NOTE, "The capture is over.")

    # what a person says

    def say_so(self) -> None:
        """The sentence that the step asks a person for; nothing where it asks for none."""
        if self.said or not STEPS[self.session.at.step].asks:
            return
        self.said = True
        if STEPS[self.session.at.step].record:  # what was set up by hand is set up now: the recording begins
            self.begin()
            return
        if self.recording is not None:
            self.recording.look_again()
        self.setup.asks(self.session.at, True)

    def override(self, reason: str) -> None:
        """Go on although the data do not show it. UsageError without a reason."""
        happened = override(self.session, reason)
        self._mark(f"overridden: {happened.place.title}: {happened.reason}")
        self._moved(happened)

    def redo(self, place: Place) -> None:
        """Do a step again. UsageError if it was not reached."""
        self._moved(redo(self.session, place))

    def choose(self, choice: Choice) -> None:
        """Measure these cylinders and valves; nothing where that is the plan already."""
        plan = self.session.plan
        if (plan.cylinders or (choice.own,), plan.valves) != (choice.cylinders, choice.valves):
            self._moved(Happened(CHOSEN, self.session.at, str(choice)))

    def timing_moved(self, moved: Moved) -> None:
        """The timing set was moved: what stands on the camshafts that were moved is swept again, and the sweeps from before are kept
        apart. CaptureError if they cannot be.
        """
        if self.setup.folder is not None:
            valves = {valve for valve, deg in moved.advanced_deg.items() if deg}
            keep_as_before(self.setup.folder, [path for path in captures_of(self.setup.folder) if _shows(path, valves)])
        self._moved(Happened(MOVED, self.session.at, str(moved)))
        if moved.position_deg is not None:
            self.say(WARNING, f"Write it down too: position_deg = {moved.position_deg:g} in [timing_set] of job.toml.")

    def check_tdc(self) -> None:
        """Find TDC once more, as it was found before the sweeps. UsageError if it is not the time for it, or if the count is another
        since, so that the two cannot be compared.
        """
        happened = Happened(TDC_AGAIN, self.session.at)
        place = after(self.session, happened).at
        if self._board is not None and not self.located.holds(header_for(self.setup, place, self._board, self._link)):
            raise UsageError(_NOT_COMPARED.rstrip("."), do="To check TDC after all, find it, sweep, and find it again in one go")
        self._moved(happened)

    def leave_check(self) -> None:
        """Give up finding TDC once more; what was recorded of it is put aside."""
        if (place := check_in_hand(self.session)) is not None:
            self._leave(place)

    def say(self, kind: str, text: str) -> None:
        """A message."""
        self.messages.say(kind, text)

    def failed(self, worker: str, error: BaseException) -> None:
        """A worker ended in an error: one typed message, and the screen says failed if frames can no longer be taken."""
        self.messages.failed(worker, error)
        if worker in ("reader", RECORDER, "session"):
            self.watch.failed(worker)
        if worker in (RECORDER, "session"):
            self._let_go()

    # how it goes on

    def look(self) -> None:
        """Bring everything up to date, and move on if the data say so."""
        if self.recording is not None:
            self.recording.flush()
            if self.recording.recorder is not None and self.recording.recorder.rows:
                self.messages.resolved(RECORDER)
        if not self.setup.guided:
            return
        happened = looked_at(self.session, self.facts())
        if happened is None:
            return
        if happened.place.step == RIG and self.recording is not None:
            self.forward = self.recording.checked().way or 1
            happened = happened._replace(reason="up" if self.forward > 0 else "down")
        self.ended += 1
        self.messages.resolved(_BOARD)
        if happened.place.step in (STOP, TRAVEL):
            self.messages.resolved(_TDC)
        self._moved(happened)

    def facts(self) -> Facts:
        """What the data say about the step in hand."""
        facts = dict(facts_of(self.session.at.step, self.job, self._board, self.recording, self.live, self.tdc_count()))
        facts["link"] = float(self.watch.alive)
        facts[SAID] = float(self.said)
        return facts

    def tdc_count(self) -> float | None:
        """TDC as a count of what is being taken, if it is known."""
        return None if self.recording is None else self.located.count(self.recording)

    def begin(self) -> None:
        """Begin what the step in hand takes: a capture if it records one."""
        if self._board is None:
            return
        place, step = self.session.at, STEPS[self.session.at.step]
        alone = self.setup.alone is not None
        rested = self.recording is not None and self.recording.progress().crank.still_s * 1e6 >= RESTED_US
        self.close()
        if self.live is not None and self.live.result is not None:
            self.result = self.live.result
        self.live = None
        header, recorder = header_for(self.setup, place, self._board, self._link), None
        set_up = self.said or alone or not step.asks
        if step.record and set_up and self.setup.folder is not None:
            recorder = Recorder.in_folder(self.setup.folder / "captures", header)
        self.recording = RecordedStep(self.job, header, self.forward, recorder, waits=not alone, rested=rested)
        self._place_recorded = place._replace(step=SWEEP) if step.record == "sweep" else place
        self.setup.asks(place, self.said)

    def close(self) -> None:
        """Close the capture in hand. One that its step did not come to an end with is put aside, so that no result is made of it."""
        recording, self.recording = self.recording, None
        if recording is None:
            return
        recording.flush()
        recording.close()
        if self.setup.alone is not None:
            return
        if self._place_recorded not in self.session.done:
            if recording.recorder is not None:
                self._put_aside(recording.recorder)
        elif recording.header.step in ("stop", "travel"):
            path = None if recording.recorder is None else recording.recorder.path
            self.located.found(self.setup.read(path) if self.setup.read and path else recording.capture())

    def abandon(self) -> None:
        """After a crash, which nobody knows what it kept from the file: what came is synced, and the capture stays cut short."""
        recording, self.recording = self.recording, None
        if recording is not None and recording.recorder is not None:
            with suppress(CaptureError):  # the crash is the news
                recording.recorder.abandon()

    def _let_go(self) -> None:
        """Take nothing more: what was recorded so far is closed as it stands."""
        recording, self.recording = self.recording, None
        if recording is not None:
            with suppress(LobetraceError):
                recording.close()

    def _put_aside(self, recorder: Recorder) -> None:
        try:
            put_aside(recorder.path)
        except CaptureError as error:
            self.say(WARNING, str(error))
            return
        if recorder.rows:
            self.say(NOTE, f"{recorder.path.name} was not finished: it was put aside in captures/{UNFINISHED}.")

    def _moved(self, happened: Happened) -> None:
        before, said = self.session, self.said
        shown = self.decision, self.again
        self.session = after(before, happened)
        self.said, self.decision, self.again = False, None, ()
        try:
            self.setup.write(happened)
        except CaptureError as error:
            self.failed("session", error)
        at = self.session.at
        if happened.what == CHOSEN and at.step == before.at.step and at.valve == before.at.valve:
            self.said, (self.decision, self.again) = said, shown  # the step in hand goes on
            self._place_recorded = at._replace(step=self._place_recorded.step)
            return
        if STEPS[at.step].keeps and said and before.at == at._replace(step=ZERO) and happened.what != REDONE:
            return  # the recording goes on
        self.begin()

    def _leave(self, place: Place) -> None:
        self.close()  # while it is not done: it is put aside
        self._moved(Happened(LEFT, place))

    def _mark(self, text: str) -> None:
        if self.recording is not None and self.recording.recorder is not None:
            self.recording.recorder.mark(text)


def _shows(path: Path, valves: Set[str]) -> bool:
    """Whether a capture is a sweep of one of some valves."""
    try:
        header = header_of(path)
    except LobetraceError:  # what cannot be read shows nothing
        return False
    return header.step == "sweep" and not valves.isdisjoint(header.channels)
