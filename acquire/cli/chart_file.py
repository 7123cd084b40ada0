"""Charts as files: HTML and SVG drawn by lobetrace itself, PNG by matplotlib where it is installed."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from acquire.cli import output_file
from analysis.base.errors import UsageError
from analysis.report.charts import Chart, page, svg

_DO = "Install it with: pip install 'lobetrace[plot]', or name the file .html or .svg"
_STYLES: Mapping[str, Mapping[str, Any]] = {
    "limit": {"color": "0.35", "linestyle": ":", "linewidth": 0.9},
    "center": {"color": "0.6", "linewidth": 0.8},
    "piston": {"color": "black", "linewidth": 1.6},
    "intake": {"color": "#123f7a", "linewidth": 1.4},
}


def deliver_charts(path: Path, title: str, charts: Sequence[Chart], *, force: bool = False) -> None:
    """The charts as the file's name says. Raises UsageError for another kind, without matplotlib, or as `output_file.deliver`."""
    kind = path.suffix.lower()
    if kind == ".html":
        data = page(title, charts).encode("utf-8")
    elif kind == ".svg":
        data = svg(charts).encode("utf-8")
    elif kind == ".png":
        data = _png(title, charts)
    else:
        raise UsageError("a chart is written as .html, .svg or .png", where=str(path), do="Name the file so")
    output_file.deliver(path, data, force=force)


def _png(title: str, charts: Sequence[Chart]) -> bytes:
    """The charts below each other, drawn by matplotlib. Raises UsageError without it."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError("PNG files need matplotlib", do=_DO) from error
    figure = Figure(figsize=(8.0, 3.8 * len(charts)), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    for chart, axes in zip(charts, figure.subplots(len(charts), squeeze=False)[:, 0], strict=True):
        if chart.band is not None:
            axes.fill_between(*chart.band, color="0.87")
        for each in chart.curves:
            axes.plot(each.x, each.y, **_STYLES.get(each.style, {}))
            if each.name:
                axes.annotate(each.name, (each.x[each.at], each.y[each.at]), fontsize="small")
        axes.set(title=chart.title, xlabel=chart.x_label, ylabel=chart.y_label)
        axes.grid(alpha=0.3)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": "lobetrace", "Title": title})
    return out.getvalue()
