"""The RP2040 board's program under a real MicroPython: byte for byte what CPython makes of it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from tests.firmware.micropython import MicroPython
from tests.firmware.rp2040_on_cpython import modules
from tests.firmware.rp2040_scripts import SCRIPTS
from tests.left_out import thorough


@pytest.fixture(scope="module")
def micropython(request: pytest.FixtureRequest) -> MicroPython:
    return MicroPython.installed(Path(request.config.cache.mkdir("micropython")))


MOST_OF_IT = ("commands", "ascii", "two gauges")  # a scale, either kind of gauge, all that can be said


@pytest.mark.parametrize("name", [*MOST_OF_IT, *thorough(*sorted(SCRIPTS.keys() - set(MOST_OF_IT)))])
def test_the_same_bytes_as_under_cpython(micropython: MicroPython, tmp_path: Path, name: str) -> None:
    script = SCRIPTS[name] | {"pace": 1000}  # fewer looks a second: WebAssembly without a compiler for Python is slow
    with modules():
        from played import played  # type: ignore[import-not-found]

        expected = played(json.loads(json.dumps(script)), f"{tmp_path}{os.sep}")
    sent, _ = micropython.play(script, tmp_path / "script.json")
    assert sent == expected
    assert len(sent) > 400
