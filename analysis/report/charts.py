"""Charts of curves over angle as numbers, and the same as an SVG picture or a page that holds several.

What draws them elsewhere (matplotlib, for PNG) takes the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.base.samples import Floats
from analysis.report.axes import WIDTH, Axes, Line, Plot, Word

HEIGHT = 170.0
# Ticks at most on the axis of angles, and on the other.
X_TICKS, Y_TICKS = 9, 6
_PICTURE = """{% from "plot.svg.j2" import plot with context %}{{ plot(p) }}"""
_PAGE = """{% from "plot.svg.j2" import plot with context -%}
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<title>{{ title }}</title>
<meta name="generator" content="lobetrace">
<style>body { font-family: sans-serif; max-width: 60rem; margin: 1rem auto; } svg { width: 100%; height: auto; }</style>
</head>
<body>
<h1>{{ title }}</h1>
{% for p in plots %}<h2>{{ p.title }}</h2>
<p>{{ p.text }}</p>
{{ plot(p) }}
{% endfor %}</body>
</html>
"""


@dataclass(frozen=True)
class Drawn:
    """One curve of a chart: `x` and `y`, shape (n,); `style` as of `Line`; `name` is written at the place `at` of its arrays."""

    x: Floats
    y: Floats
    style: str
    name: str = ""
    at: int = 0


@dataclass(frozen=True)
class Chart:
    """Curves with one pair of axes. `title` and `text` are what a reader who cannot see it is told; `band`: x, lower and upper
    edge of an area.
    """

    name: str
    title: str
    text: str
    x_label: str
    y_label: str
    curves: tuple[Drawn, ...]
    band: tuple[Floats, Floats, Floats] | None = None


def picture(chart: Chart) -> Plot:
    """A chart in the places of a plot."""
    xs = [float(x) for each in chart.curves for x in (each.x.min(), each.x.max())]
    ys = [float(y) for each in chart.curves for y in (each.y.min(), each.y.max())]
    if chart.band is not None:
        ys += [float(chart.band[1].min()), float(chart.band[2].max())]
    room = 0.08 * (max(ys) - min(ys) or 1.0)
    axes = Axes((min(xs), max(xs)), (min(ys) - room, max(ys) + room), HEIGHT)
    areas = []
    if chart.band is not None:
        x, low, high = chart.band
        areas.append(axes.points([*x, *x[::-1]], [*high, *low[::-1]]))
    words = [Word(*_above(axes, float(each.x[each.at]), float(each.y[each.at])), each.name) for each in chart.curves if each.name]
    step = _round(axes.x[1] - axes.x[0], X_TICKS)
    first = math.ceil(axes.x[0] / step)
    ticks = [(step * k, f"{step * k:g}") for k in range(first, math.floor(axes.x[1] / step) + 1)]
    return Plot(
        chart.name,
        chart.title,
        chart.text,
        WIDTH,
        HEIGHT,
        axes.frame,
        chart.x_label,
        chart.y_label,
        axes.x_ticks(ticks),
        axes.y_ticks(_round(axes.y[1] - axes.y[0], Y_TICKS)),
        tuple(Line(each.style, axes.points(each.x, each.y)) for each in chart.curves),
        tuple(areas),
        words=tuple(words),
    )


def _above(axes: Axes, x: float, y: float) -> tuple[float, float]:
    """A place for a word near a point, inside the frame."""
    across, up = axes.at(x, y)
    left, top, right, _ = axes.frame
    return min(max(across, left + 40.0), right - 40.0), max(up - 4.0, top + 7.0)


def _round(span: float, most: int) -> float:
    """A round distance between ticks that makes at most so many of them: 1, 2 or 5 times a power of ten."""
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * (1 - 1e-9))


def svg(charts: Sequence[Chart]) -> str:
    """One picture by itself; several below each other."""
    plots = [picture(chart) for chart in charts]
    parts = [f'<g transform="translate(0 {k * HEIGHT:g})">{_rendered(_PICTURE, p=plot)}</g>' for k, plot in enumerate(plots)]
    height = HEIGHT * len(plots)
    inner = "".join(
        part.replace('<svg class="plot"', f'<svg class="plot" width="{WIDTH:g}" height="{HEIGHT:g}"') for part in parts
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}">'
        f"<metadata>lobetrace</metadata>{inner}</svg>\n"
    )


def page(title: str, charts: Sequence[Chart]) -> str:
    """A self-contained page: no script, no outside request."""
    return _rendered(_PAGE, title=title, plots=[picture(chart) for chart in charts])


def _rendered(template: str, **context: object) -> str:
    css = Markup((resources.files("analysis.report") / "templates" / "plot.css").read_text(encoding="utf-8"))
    environment = Environment(loader=PackageLoader("analysis.report"), autoescape=True, undefined=StrictUndefined)
    return environment.from_string(template).render(plot_css=css, **context)
