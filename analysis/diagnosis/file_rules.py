"""Rules about the capture files: cut short, altered, begun again."""

from __future__ import annotations

from analysis.base.finding import DOUBT, NOTE
from analysis.base.samples import Capture
from analysis.crank.segments import first_start
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
