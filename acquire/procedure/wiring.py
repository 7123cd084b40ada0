"""The self-test after wiring: what the frames of a board say about its wires. No I/O, no clock (firmware-notes/wire-format.md 3.3).

What is at rest and what was turned is told apart by the crank's own count: noise is what comes while nobody turns.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from acquire.wire import Event, Fault, Heartbeat, Hello, Index, Sample, SelfTest, Settings
from analysis.base.samples import Board

CRANK: Final = "crank"
_TREMBLE: Final = 2  # counts
_TURN: Final = 0.9  # of a turn must have been made before a count is held against `cpr`
_BY_EYE: Final = 0.02  # of a turn: as near as a mark is met by hand, common practice


@dataclass
class Input:
    """One input: which levels each of its lines has shown, its newest self-test, and where its count was at first and at most."""

    seen: dict[str, set[int]] = field(default_factory=dict)
    newest: SelfTest | None = None
    bad_at_first: int = 0
    low: int = 0
    high: int = 0

    def take(self, test: SelfTest) -> None:
        """The next self-test."""
        if self.newest is None:
            self.bad_at_first, self.low, self.high = test.bad, test.count, test.count
        self.newest = test
        self.low, self.high = min(self.low, test.count), max(self.high, test.count)
        for name, level in test.levels:
            self.seen.setdefault(name, set()).add(level)

    @property
    def bad(self) -> int:
        """Illegal steps or refused readings since the self-test began."""
        return 0 if self.newest is None else self.newest.bad - self.bad_at_first

    @property
    def still(self) -> list[str]:
        """The lines that have shown one level only."""
        return [name for name, levels in self.seen.items() if len(levels) < 2]


class Wiring:
    """Takes what a board says while somebody turns the crank by hand, and says what it shows."""

    def __init__(self, board: Board) -> None:
        self._begin(board)

    def _begin(self, board: Board) -> None:
        """From the start of a board on: its counts begin at zero."""
        self.board = board
        self.settings: Settings | None = None
        self.inputs: dict[str, Input] = {}
        self.index: list[int] = []  # the counts at which index pulses came
        self.first: int | None = None
        self.count = 0
        self.lowest = self.highest = 0
        self.rest_samples = 0  # samples that came before the crank had been turned by more than a count or two
        self.faults: dict[str, int] = {}

    def take(self, events: Iterable[Event]) -> None:
        """What came next."""
        for event in events:
            match event:
                case Hello():
                    self._anew(event)
                case Settings():
                    self.settings = event
                case SelfTest():
                    self.inputs.setdefault(event.of, Input()).take(event)
                    if event.of == CRANK:
                        self._at(event.count)
                case Sample() | Heartbeat():
                    self.rest_samples += isinstance(event, Sample) and not self.moved and self.board.latch == "edge"
                    self._at(event.crank)
                case Index():
                    self.index.append(event.crank)
                case Fault():
                    self.faults[event.word] = event.number
                case _:
                    pass

    @property
    def turned(self) -> int:
        """Counts from the lowest to the highest place: the most it was turned from anywhere."""
        return self.highest - self.lowest

    @property
    def moved(self) -> bool:
        """Whether the crank was turned, and did not only tremble on the edge of a count."""
        return self.turned > _TREMBLE

    @property
    def noise(self) -> int:
        """Samples that came at rest, less those that the beginning of the turn itself has made."""
        return max(0, self.rest_samples - min(self.turned, _TREMBLE + 1))

    @property
    def way(self) -> int:
        """Which way the count went from its first place: 1 up, -1 down, 0 not yet."""
        if self.first is None or not self.moved:
            return 0
        return 1 if self.highest - self.first >= self.first - self.lowest else -1

    @property
    def between_index(self) -> int | None:
        """Counts between two index pulses a turn apart, if two came at two places: that is `cpr`, exactly."""
        apart = [abs(b - a) for a, b in zip(self.index, self.index[1:], strict=False) if abs(b - a) > self.board.cpr // 8]
        return apart[-1] if apart else None

    def verdicts(self) -> list[tuple[str, bool | None, str]]:
        """What is known of each thing: its name, whether it is right (None: not seen yet), and the words for it."""
        return [*self._crank(), *(line for of in sorted(self.inputs) if of != CRANK for line in self._channel(of))]

    def numbers(self) -> dict[str, Any]:
        """For machines."""
        return {
            "turned_counts": self.turned,
            "cpr_set": self.board.cpr,
            "cpr_seen": self.between_index,
            "index_pulses": len(self.index),
            "direction": {1: "up", -1: "down", 0: None}[self.way],
            "noise_at_rest": self.noise,
            "faults": self.faults,
            "inputs": {of: self._of(item) for of, item in sorted(self.inputs.items())},
            "checks": [{"what": what, "right": right, "words": words} for what, right, words in self.verdicts()],
        }

    @staticmethod
    def _of(item: Input) -> dict[str, Any]:
        assert item.newest is not None
        newest = item.newest
        fields = {"kind": newest.kind, "levels": dict(newest.levels), "count": newest.count, "bad": newest.bad}
        return fields | {"bad_since": item.bad, "age_us": newest.age_us, "got": newest.got, "raw": newest.raw}

    def _anew(self, hello: Hello) -> None:
        if hello.restarted or hello.board.cpr != self.board.cpr:
            self._begin(hello.board)
        self.board = hello.board

    def _at(self, count: int) -> None:
        if self.first is None:
            self.first = self.lowest = self.highest = count
        self.count = count
        self.lowest, self.highest = min(self.lowest, count), max(self.highest, count)

    def _crank(self) -> list[tuple[str, bool | None, str]]:
        crank = self.inputs.get(CRANK, Input())
        still = [name.upper() for name in crank.still if name != "z"]
        lines = [
            ("A and B", None if still or not crank.seen else True, _changed(still, bool(crank.seen))),
            ("direction", True if self.way else None, {1: "counts up", -1: "counts down", 0: "not turned yet"}[self.way]),
            ("illegal steps", not crank.bad, f"{crank.bad} since this test began"),
            ("noise at rest", self.noise <= 1, f"{self.noise} counts before it was turned"),
        ]
        return [*lines, self._index(), self._cpr()]

    def _index(self) -> tuple[str, bool | None, str]:
        if not self.board.index:
            return "index", None, "set not to be connected"
        if self.index:
            return "index", True, f"{len(self.index)} pulses, the newest at count {self.index[-1]}"
        wrong = self.turned > 1.1 * self.board.cpr
        return (
            "index",
            False if wrong else None,
            "not seen in more than a full turn" if wrong else "not seen yet: turn a full turn",
        )

    def _cpr(self) -> tuple[str, bool | None, str]:
        cpr, between = self.board.cpr, self.between_index
        if between is not None:
            words = f"{between} counts from index to index, {cpr} are set"
            return "counts a turn", abs(between - cpr) <= 1, words
        words = f"{self.turned} counts turned, {cpr} are set: turn one full turn, mark to mark"
        near = abs(self.turned - cpr) <= _BY_EYE * cpr
        return "counts a turn", True if near and self.turned > _TURN * cpr else None, words

    def _channel(self, of: str) -> list[tuple[str, bool | None, str]]:
        item = self.inputs[of]
        assert item.newest is not None
        newest = item.newest
        bad = (f"{of} bad", not item.bad, f"{item.bad} {'illegal steps' if newest.kind == 'scale' else 'readings refused'}")
        if newest.kind == "scale":
            still = [name.upper() for name in item.still]
            return [(f"{of} A and B", None if still else True, _changed(still, True)), bad]
        whole = {"bcd": 52, "frame24": 24}.get(newest.kind)
        sound = None if not newest.got else True if whole is None else newest.got == whole
        words = f"{newest.got or 0} {'characters' if whole is None else f'bits of {whole}'} in the newest frame"
        return [(f"{of} frame", sound, words), bad]


def _changed(still: list[str], any_seen: bool) -> str:
    if not any_seen:
        return "nothing known yet"
    return f"{' and '.join(still)} not seen to change yet: turn slowly" if still else "both change"
