"""What the options of several commands are: the words they take, and how they are declared."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Units(StrEnum):
    """What lengths are written in."""

    mm = "mm"
    inch = "in"


class Step(StrEnum):
    """What a recording is of."""

    stop = "stop"
    travel = "travel"
    sweep = "sweep"


class Paper(StrEnum):
    """What a sheet is printed on."""

    auto = "auto"
    a4 = "a4"
    letter = "letter"


class Valve(StrEnum):
    """What the indicators stand on in a sweep."""

    intake = "intake"
    exhaust = "exhaust"
    both = "both"


class Against(StrEnum):
    """What lobes are held against."""

    first = "first"
    mean = "mean"
    rest = "rest"
    nominal = "nominal"


class By(StrEnum):
    """What may be another from one sweep to the next."""

    operator = "operator"
    setting = "setting"
    day = "day"


class Tdc(StrEnum):
    """How top dead center is found."""

    stop = "stop"
    travel = "travel"
    given = "given"


JobPath = Annotated[Path, typer.Argument(metavar="JOB", help="The job's folder, or its job.toml.")]
Nominal = Annotated[
    list[str] | None,
    typer.Option(
        "--nominal",
        metavar="[VALVE=]FILE",
        help="Nominal lift table: CSV with the columns cam_deg or crank_deg, and lift_mm or lift_in. One for both valves, or one for "
        "each as intake=FILE and exhaust=FILE; else the job's.",
        show_default=False,
    ),
]
Roots = Annotated[
    list[Path],
    typer.Argument(
        metavar="ROOT",
        help="Jobs, folders that are searched for job.toml, or patterns such as 'jobs/2026-*'.",
        show_default=False,
    ),
]
Processes = Annotated[
    int | None,
    typer.Option("--jobs", "-j", metavar="N", min=1, help="So many processes; else one for each processor.", show_default=False),
]
Json = Annotated[bool, typer.Option("--json", help="Results as JSON on stdout and nothing else there.")]
Seed = Annotated[
    int | None, typer.Option(help="Random seed: the same seed gives the same hand and noise (default: the scenario's).")
]
Baud = Annotated[int, typer.Option(min=300, help="Speed of a serial line.")]
Light = Annotated[bool, typer.Option("--light", help="For a light background; the key d changes it.")]
Quiet = Annotated[bool, typer.Option("--no-bell", help="No bell at the end of a step; the key b changes it.")]
SecondScreen = Annotated[
    str,
    typer.Option(
        "--screen",
        metavar="[HOST:PORT]",
        help="A page for a phone or tablet beside the crank; without HOST for this computer alone.",
        show_default=False,
    ),
]
Force = Annotated[bool, typer.Option("--force", help="Replace the file even if lobetrace did not write what is there.")]
