"""The live line: in place on a terminal, seldom elsewhere, made only when it is shown."""

from __future__ import annotations

import io

from acquire.cli.status_line import LiveLine


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_on_a_terminal_a_shorter_text_wipes_the_longer_one_before() -> None:
    out, clock = Terminal(), Clock()
    live = LiveLine(out, clock)
    live.show(lambda: "count 12345")
    clock.now = 0.2
    live.show(lambda: "count 1")
    live.end()
    assert out.getvalue() == "\rcount 12345\rcount 1    \n"


def test_elsewhere_lines_are_plain_and_seldom() -> None:
    out, clock = io.StringIO(), Clock()
    live = LiveLine(out, clock)
    made = []

    def text() -> str:
        made.append(clock.now)
        return f"at {clock.now:g}"

    for clock.now in (0.0, 0.1, 1.0, 1.9, 2.0, 2.1):
        live.show(text)
    live.show(text, now=True)
    live.end()
    assert out.getvalue() == "at 0\nat 2\nat 2.1\n"
    assert made == [0.0, 2.0, 2.1]
