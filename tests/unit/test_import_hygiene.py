"""What a module brings with it: each room is imported in a fresh interpreter, which then tells what came along."""

from __future__ import annotations

import json
import pkgutil
import subprocess
import sys
from collections.abc import Iterable

import acquire
import analysis

# Imports one module after the other and tells which of the unwanted each was the first to bring.
PROBE = """
import importlib, json, sys
modules, unwanted = json.loads(sys.argv[1])
came = {}
for name in modules:
    importlib.import_module(name)
    for each in unwanted:
        if each in sys.modules:
            came.setdefault(each, name)
print(json.dumps(came))
"""


def brought(modules: Iterable[str], unwanted: Iterable[str]) -> dict[str, str]:
    asked = json.dumps([sorted(modules), sorted(unwanted)])
    done = subprocess.run([sys.executable, "-c", PROBE, asked], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    came: dict[str, str] = json.loads(done.stdout)
    return came


def below(package: str, path: Iterable[str]) -> list[str]:
    return [package, *(found.name for found in pkgutil.walk_packages(path, f"{package}."))]


ANALYSIS = below("analysis", analysis.__path__)
ACQUIRE = [name for name in below("acquire", acquire.__path__) if not name.endswith("__main__")]
WIRE = [name for name in ACQUIRE if name.startswith("acquire.wire")]
SCREENS = ("textual",)
PORTS = ("serial", "serial_asyncio")
LOOPS = ("asyncio",)


def test_there_is_something_to_look_at() -> None:
    assert {"analysis.job", "analysis.report.sheet"} <= set(ANALYSIS)
    assert "acquire.wire" in WIRE


def test_the_probe_sees_what_comes_along() -> None:
    assert brought(["serial"], ["serial", "textual"]) == {"serial": "serial"}


def test_analysis_brings_no_port_no_loop_no_screen_and_nothing_of_acquire() -> None:
    assert brought(ANALYSIS, [*SCREENS, *PORTS, *LOOPS, "acquire", "typer"]) == {}


def test_the_wire_brings_no_port_no_loop_and_no_screen() -> None:
    assert brought(WIRE, [*SCREENS, *PORTS, *LOOPS, "typer", "scipy", "pydantic"]) == {}


def test_only_the_dashboard_brings_a_screen() -> None:
    assert brought([name for name in ACQUIRE if not name.startswith("acquire.dashboard")], SCREENS) == {}


def test_only_the_link_and_what_stands_on_it_brings_the_serial_port() -> None:
    """The simulator's server opens pseudo-terminals and sockets by itself."""
    opens = ("acquire.link", "acquire.procedure", "acquire.cli", "acquire.dashboard")
    assert brought([name for name in ACQUIRE if not name.startswith(opens)], PORTS) == {}


def test_the_command_brings_nothing_that_help_does_not_need() -> None:
    assert brought(["acquire.cli"], [*SCREENS, *PORTS, *LOOPS, "numpy", "scipy", "pydantic", "rich", "analysis.job"]) == {}
