"""One recording: the link's outcomes into the capture file, the live line and the count of what there is."""

from __future__ import annotations

import uuid
from contextlib import ExitStack, aclosing
from dataclasses import dataclass
from pathlib import Path

from acquire.cli.progress import End, Progress
from acquire.cli.status_line import LiveLine
from acquire.cli.version import version
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, Outcome, stream
from acquire.record.recorder import Recorder
from analysis.base.errors import UsageError
from analysis.base.samples import Board, Header
from analysis.job import Job

_TRIES = 20  # to find a lost board again: with the link's growing waits about half a minute
_IDLE_S = 0.25  # the recorder wants to be called so often, so that it can sync


@dataclass(frozen=True)
class Wanted:
    """What is to be recorded. `valve` is "intake", "exhaust" or "both" for a sweep, else None. UsageError for another mixture."""

    step: str
    valve: str | None = None

    def __post_init__(self) -> None:
        if self.step == "sweep" and self.valve is None:
            raise UsageError("a sweep needs to know its valve", do="Add --valve intake, exhaust or both")
        if self.step != "sweep" and self.valve is not None:
            raise UsageError(f"--valve has no meaning with --step {self.step}", do="Leave it out, or take --step sweep")

    def channels(self, board: Board) -> tuple[str, ...]:
        """What each indicator channel of `board` stands on. UsageError if it has too few."""
        has = len(board.steps_mm)
        if self.valve == "both":
            if has < 2:
                do = "Record --valve intake and --valve exhaust one after the other"
                raise UsageError("this board has one indicator channel", do=do)
            return "intake", "exhaust"
        first = {"stop": "unknown", "travel": "piston"}.get(self.step, self.valve or "unknown")
        return (first, "unknown")[:has]


class Recording:
    """A recording into `folder` (the job's captures). `path` is None until a board has answered."""

    def __init__(self, folder: Path, job: Job, wanted: Wanted, url: str, end: End, note: str, live: LiveLine) -> None:
        self.path: Path | None = None
        self.progress = Progress()
        self._folder, self._job, self._wanted, self._url, self._end, self._note = folder, job, wanted, url, end, note
        self._live = live
        self._recorder: Recorder | None = None
        self._trouble = ""  # what the live line says instead of the numbers
        self._failed = 0
        self._silent_s = 0.0

    async def read(self) -> None:
        """Record until the end that was asked for, or until cancelled; either way the file gets its closing line.

        Raises the link's error if no board is there, or if it is lost and does not come back.
        """
        with ExitStack() as files:
            async with aclosing(stream(self._url, self._job.rig.baud, idle_after=_IDLE_S)) as outcomes:
                async for outcome in outcomes:
                    self._take(outcome, files)
                    self._live.show(lambda: self._trouble or self.progress.line())
                    if self.progress.reached(self._end):
                        break
        self._live.show(self.progress.line, now=True)

    def _take(self, outcome: Connected | Outcome, files: ExitStack) -> None:
        self._silent_s = self._silent_s + outcome.seconds if isinstance(outcome, Idle) else 0.0
        match outcome:
            case Connected():
                self._connected(outcome, files)
            case Batch():
                for event in outcome.events:
                    self.progress.take(event)
                self._opened().add(outcome.events)
            case Idle():
                self._opened().add(())
                # A board sends a frame a second at least.
                self._trouble = f"nothing from the board for {self._silent_s:.0f} s" if self._silent_s > 1.5 else self._trouble
                return
            case Ended() | Broken():
                self._lost(outcome)
                return
        self._trouble = ""

    def _connected(self, found: Connected, files: ExitStack) -> None:
        self._failed = 0
        if self._recorder is None:
            self._recorder = files.enter_context(Recorder.in_folder(self._folder, self._header(found.hello.board)))
            self.path = self._recorder.path
        else:
            self._recorder.start(found.hello.board, same_count=bool(found.same_count), missed=found.missed)
        self.progress.connected(found.hello.board, same_count=bool(found.same_count), missed=found.missed)

    def _lost(self, outcome: Ended | Broken) -> None:
        self._failed += 1
        if isinstance(outcome, Broken) and (self._recorder is None or self._failed > _TRIES):
            raise outcome.error
        self._trouble = f"the link is lost, trying to find it again ({self._failed})"

    def _opened(self) -> Recorder:
        # The link tells of a board before it hands out anything of it.
        assert self._recorder is not None
        return self._recorder

    def _header(self, board: Board) -> Header:
        return Header(
            board=board,
            step=self._wanted.step,
            cylinder=self._job.measure.cylinder,
            channels=self._wanted.channels(board),
            link=uuid.uuid4().hex,
            software=f"lobetrace {version()}",
            engine=self._job.engine.name,
            note=self._note,
        )
