"""Draws the pictures of the live screen that the readme shows: `python -m tests.ui.make_pictures`, after the screen was changed.

The numbers in them are those of a whole procedure walked on the simulated engine.
"""

from __future__ import annotations

import asyncio
import html
import re
import tempfile
from collections import defaultdict
from pathlib import Path

import acquire.dashboard
from acquire.dashboard.app import Dashboard
from acquire.dashboard.road import Road
from acquire.session import Place
from acquire.simulator.scenarios import SCENARIOS
from acquire.steps import DONE, STOP, SWEEP
from tests.walked import Walk, nothing

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


class InItsTime(Walk):
    """A walk that takes as long as a hand does: some four hundred frames a second."""

    def feed(self, blocks: int = 1) -> None:
        for _ in range(blocks):
            self.clock.now += 1.0
            super().feed()


def main() -> None:
    """Walk once through everything, and draw where something is to be seen."""
    with tempfile.TemporaryDirectory() as folder:
        walk = InItsTime(Path(folder) / "job", SCENARIOS["workshop"])
        walk.to(Place(STOP))
        walk.speak()
        walk.until(lambda: walk.station.facts().get("touches low", 0) >= 2)
        _draw(walk, "stop")
        walk.to(Place(SWEEP, "exhaust"))
        walk.until(lambda: walk.station.facts().get("passes", 0.0) >= 2)
        _draw(walk, "sweep-exhaust")
        walk.to(Place(DONE))
        _draw(walk, "done")
        walk.station.close()


def _draw(walk: Walk, name: str) -> None:
    walk.road.settle()
    svg = plain(asyncio.run(_shown(walk)))
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")
    (FOLDER / f"{name}.txt").write_text(text_of(svg), encoding="utf-8")


async def _shown(walk: Walk) -> str:
    app = Dashboard(Road(walk.station, nothing, clock=walk.clock))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.draw()
        await pilot.pause()
        return app.export_screenshot(simplify=True)


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
