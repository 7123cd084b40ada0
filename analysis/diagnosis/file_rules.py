"""Rules about the capture files: cut short, altered, begun again."""

from __future__ import annotations

from collections import Counter

from analysis.base.finding import DOUBT, NOTE
from analysis.base.samples import Capture
from analysis.crank.segments import count_jumps, first_start
from analysis.diagnosis.rule import Seen, rule


@rule("capture-altered", DOUBT, "*")
def altered(capture: Capture, name: str) -> Seen | None:
    """A file that is not what was recorded."""
    if not capture.altered:
        return None
    return Seen(
        f"{name}: {_said(capture)}.",
        "The file was changed by hand, by a program or by a damaged disk.",
        "Nothing that comes from it can be relied on: restore the original, or record it again.",
    )


@rule("capture-incomplete", NOTE)
def incomplete(capture: Capture, name: str) -> Seen | None:
    """A file without its closing line."""
    if capture.complete or capture.altered:
        return None
    return Seen(f"{name}: {_said(capture)}.", do="The rows that are there were used; record it again if a lobe is missing.")


@rule("count-jumped", NOTE)
def count_jumped(capture: Capture, name: str) -> Seen | None:
    """A count that moved as no crank can."""
    jumps = count_jumps(capture)
    if not jumps:
        return None
    rows = sum(jump.rows for jump in jumps)
    stayed = next((jump for jump in jumps if not jump.returned), None)
    return Seen(
        f"{name}: the count jumped {len(jumps)} times as the crank cannot turn, first by {jumps[0].counts:+d} counts; {rows} "
        "rows were left out.",
        "A spike on the encoder's lines, counts that were lost, or a damaged file.",
        "Check the encoder's cable and supply." + (" Find TDC again: the count did not come back." if stayed else ""),
        weight=DOUBT if stayed else NOTE,
        touches=tuple(on for on in capture.header.channels if on in ("intake", "exhaust")) or ("tdc",),
    )


@rule("board-faults", NOTE)
def board_faults(capture: Capture, name: str) -> Seen | None:
    """What the board itself said went wrong."""
    if not capture.faults:
        return None
    words = Counter(fault.word for fault in capture.faults)
    of_count = any(word.startswith("crank") for word in words)
    told = ", ".join(f"{word} {times} times" for word, times in words.most_common())
    by_index = capture.index.crank.size > 1
    return Seen(
        f"{name}: the board reported faults: {told}.",
        "Counts of the encoder were missed, so that angles behind them are off."
        if of_count
        else "Readings of the indicator failed.",
        "Check cable, supply and speed of turning, and record again.",
        weight=DOUBT if of_count and not by_index else NOTE,
        touches=tuple(on for on in capture.header.channels if on in ("intake", "exhaust")) or ("tdc",),
    )


@rule("started-again", NOTE)
def started_again(capture: Capture, name: str) -> Seen | None:
    """A board that began to count anew while it was recorded."""
    rows, used = capture.samples.seq.size, first_start(capture).samples.seq.size
    if used >= rows:
        return None
    return Seen(
        f"{name}: only the first {used} of {rows} rows were used, because the board restarted during the recording and its count "
        "lost its zero.",
        "The board's supply or its plug is loose.",
        "Check both, find TDC again unless the encoder has an index pulse, and record again.",
    )


def _said(capture: Capture) -> str:
    return ". ".join(sentence.removesuffix(".") for sentence in capture.missing)
