"""The commented job.toml that `lobetrace new` writes, in millimetres or inches."""

from __future__ import annotations

import re
from importlib import resources
from typing import Final, Literal, TypeAlias

from analysis.job.explain import INSIDE

Units: TypeAlias = Literal["mm", "in"]

_METRIC: Final = re.compile(r"^(?P<before>(?:# )?\w+)(?P<unit>_mm|_n) = (?P<value>[^#]*?)(?P<gap> +)#", re.MULTILINE)
_SPOKEN: Final = re.compile(r"\b(\d[\d.]*) mm\b")
_OUTSIDE: Final = {inner: suffix for suffix, (inner, _) in INSIDE.items()}
# What a machinist writes in inches and pounds for each figure of the template: round ones, as the trade uses them. What a bound is
# where it is left out stays what it is, 0.01 mm and 0.03 mm.
_FIGURES: Final = {
    "_mm": {
        "0.0": "0.000",
        "0.01": "0.0004",
        "0.03": "0.0012",
        "0.05": "0.002",
        "0.1": "0.004",
        "0.15": "0.006",
        "0.5": "0.020",
        "0.75": "0.030",
        "1.0": "0.040",
        "1.27": "0.050",
        "1.5": "0.060",
        "2.0": "0.080",
        "2.5": "0.100",
        "2.6": "0.100",
        "3.0": "0.120",
        "3.1": "0.120",
        "3.5": "0.140",
        "5.0": "0.200",
        "7.0": "0.280",
        "10.5": "0.420",
        "14.0": "0.550",
        "26.0": "1.000",
        "31.0": "1.250",
        "40": "1.6",
        "42.0": "1.650",
        "86.0": "3.375",
        "145.0": "5.700",
        "150": "6",
    },
    "_n": {"400.0": "90.0", "900.0": "200.0"},
}


def template(units: Units = "mm") -> str:
    """The text of a valid job.toml for a made-up engine, every line explained; with "in" every length is in inches."""
    text = (resources.files("analysis.job") / "template.toml").read_text(encoding="utf-8")
    if units == "mm":
        return text
    spoken = _SPOKEN.sub(lambda found: f"{_FIGURES['_mm'][found[1]]} in", text)
    return _METRIC.sub(_in_inches, spoken).replace('units = "mm" ', 'units = "in" ')


def _in_inches(line: re.Match[str]) -> str:
    figures = _FIGURES[line["unit"]]
    written = re.sub(r"[\d.]+", lambda number: figures[number[0]], line["value"])
    head = f"{line['before']}{_OUTSIDE[line['unit']]} = {written}"
    return head + " " * max(1, len(line[0]) - len(head) - 1) + "#"
