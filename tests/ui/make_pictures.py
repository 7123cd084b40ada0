"""Draws the pictures of the live screen that the readme shows: `python -m tests.ui.make_pictures`, after the screen was changed.

The command runs in a real tmux, on a simulated engine, from the cautions to the end; keys are sent where a person is asked. It takes
some minutes and needs tmux.
"""

from __future__ import annotations

import html
import re
import shlex
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from io import StringIO
from pathlib import Path
from typing import NamedTuple

from rich.console import Console
from rich.text import Text

import acquire.dashboard
from acquire.procedure.steps import RESULT, SAID, STEPS

FOLDER = Path(acquire.dashboard.__file__).with_name("pictures")
SIZE = 120, 36  # columns and lines
_COLUMN, _LINE = 12.2, 24.4  # of a letter, in the picture's own units
_FRAME = """<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.s-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; font-size: 20px; line-height: 24.4px; }}
{styles}
</style>
<defs>{lines}</defs>
<rect width="{width}" height="{height}" fill="#121212" rx="6"/>
<g transform="translate(9, 41)">{body}
"""


PACE, LONGEST_S, LOOK_EVERY_S = 6.0, 900.0, 0.4


class Wanted(NamedTuple):
    """A picture: its name, and what stands on the screen once it is worth drawing."""

    name: str
    seen: tuple[str, ...]


WANTED = (
    Wanted("stop", ("by piston stop", "[x] contacts of each side agree")),
    Wanted("sweep-exhaust", ("Sweep, exhaust", "whole passes 2/")),
    Wanted("done", ("Done", "requirements", "LSA")),
)
ASKED = (
    "Press Enter once",
    *STEPS[RESULT].do,
    *(f"[ ] {need.text}" for step in STEPS.values() for need in step.needs if need.key == SAID),
)


class Tmux:
    """A server of our own with one terminal in it."""

    def __init__(self, command: list[str], folder: str) -> None:
        self._tmux = ["tmux", "-u", "-L", f"pictures-{Path(folder).name}", "-f", "/dev/null"]
        size = ["-x", str(SIZE[0]), "-y", str(SIZE[1])]
        self._run("new-session", "-d", *size, "-c", folder, f"env COLORTERM=truecolor {shlex.join(command)}")
        self._run("set-option", "-g", "status", "off")

    def _run(self, *arguments: str) -> str:
        return subprocess.run([*self._tmux, *arguments], check=True, capture_output=True, text=True, encoding="utf-8").stdout

    def screen(self, *, colors: bool = False) -> str:
        """What stands in the terminal."""
        return self._run("capture-pane", "-p", *(["-e"] if colors else []), "-t", "0")

    def press(self, key: str) -> None:
        """One key."""
        self._run("send-keys", "-t", "0", key)

    def end(self) -> None:
        """The server with everything in it."""
        self._run("kill-server")


def main() -> None:
    """Go once through everything, and draw where something is to be seen."""
    command = [sys.executable, "-m", "acquire", "live", "--simulate", "--pace", f"{PACE:g}", "--no-bell"]
    left, began = list(WANTED), time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        tmux = Tmux(["env", f"PYTHONPATH={Path.cwd()}", *command], folder)
        try:
            while left and time.monotonic() - began < LONGEST_S:
                time.sleep(LOOK_EVERY_S)
                screen = tmux.screen()
                if all(part in screen for part in left[0].seen):
                    _draw(tmux.screen(colors=True), left.pop(0).name)
                if any(part.format(valve=valve) in screen for part in ASKED for valve in ("intake", "exhaust")):
                    tmux.press("Enter")
        finally:
            tmux.end()
    if left:
        sys.exit(f"not seen within {LONGEST_S:g} s: {', '.join(wanted.name for wanted in left)}")


def _draw(screen: str, name: str) -> None:
    console = Console(width=SIZE[0], height=SIZE[1], record=True, file=StringIO(), force_terminal=True, color_system="truecolor")
    lines = screen.removesuffix("\n").split("\n")
    for line in [*lines, *[""] * (SIZE[1] - len(lines))]:
        console.print(Text.from_ansi(line), no_wrap=True, overflow="crop", soft_wrap=True)
    svg = plain(console.export_svg(unique_id="terminal"))
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")
    (FOLDER / f"{name}.txt").write_text(text_of(svg), encoding="utf-8")


def plain(svg: str) -> str:
    """A screen as Textual exports it, without window, title and fonts from elsewhere."""
    (name,) = set(re.findall(r'id="([\w-]+)-clip-terminal"', svg))
    styles = re.findall(rf"\.{name}-r\d+ {{[^}}]*}}", svg)
    lines = svg[svg.index(f'<clipPath id="{name}-line-0">') : svg.index("</defs>")]
    body = svg.split(f'clip-path="url(#{name}-clip-terminal)">', 1)[1].strip()
    width, height = SIZE[0] * _COLUMN + 18, SIZE[1] * _LINE + 50
    made = _FRAME.format(width=f"{width:g}", height=f"{height:g}", styles="\n".join(styles), lines=lines.strip(), body=body)
    return "\n".join(line.rstrip() for line in made.replace(name, "s").splitlines()) + "\n"


def text_of(svg: str) -> str:
    """The same in letters."""
    rows: dict[float, list[tuple[int, str]]] = defaultdict(list)
    for x, y, letters in re.findall(r'<text class="[^"]*" x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)</text>', svg):
        rows[float(y)].append((round(float(x) / _COLUMN), html.unescape(letters).replace("\xa0", " ").rstrip("\n")))
    return "".join(_row(rows.get(20 + k * _LINE, rows.get(round(20 + k * _LINE, 1), []))) for k in range(SIZE[1]))


def _row(pieces: list[tuple[int, str]]) -> str:
    row = ""
    for column, letters in sorted(pieces):
        row = row.ljust(column) + letters
    return row.rstrip(" \u2800") + "\n"


if __name__ == "__main__":
    main()
