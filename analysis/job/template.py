"""The commented job.toml that `lobetrace new` writes, in millimetres or inches."""

from __future__ import annotations

import re
from importlib import resources
from typing import Literal

from analysis.job.explain import INSIDE

_METRIC = re.compile(r"^(?P<before>(?:# )?\w+)(?P<unit>_mm|_n) = (?P<value>[^#]*?)(?P<gap> +)#", re.MULTILINE)
_OUTSIDE = {inner: (suffix, factor) for suffix, (inner, factor) in INSIDE.items()}


def template(units: Literal["mm", "in"] = "mm") -> str:
    """The text of a valid job.toml for a made-up engine, every line explained; with "in" every length has its inch key."""
    text = (resources.files("analysis.job") / "template.toml").read_text(encoding="utf-8")
    return text if units == "mm" else _METRIC.sub(_in_inches, text).replace('units = "mm" ', 'units = "in" ')


def _in_inches(line: re.Match[str]) -> str:
    unit, factor = _OUTSIDE[line["unit"]]
    written = re.sub(r"[\d.]+", lambda number: f"{round(float(number[0]) / factor, 3)}", line["value"])
    head = f"{line['before']}{unit} = {written}"
    return head + " " * max(2, len(line[0]) - len(head) - 1) + "#"
