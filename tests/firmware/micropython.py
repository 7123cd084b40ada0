"""A real MicroPython interpreter: the WebAssembly build from npm, under node."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.firmware.pio_bench import FAKE, RP2040

PACKAGE = "@micropython/micropython-webassembly-pyscript@1.27.0"
RUNNER = Path(__file__).with_name("run_micropython.mjs")


@dataclass(frozen=True)
class MicroPython:
    """`module` is the package's micropython.mjs."""

    module: Path

    @classmethod
    def installed(cls, cache: Path) -> MicroPython:
        """Installs the package into `cache`, which pytest keeps from one run to the next. Skips the test where that cannot be."""
        module = cache / "node_modules" / PACKAGE.rpartition("@")[0] / "micropython.mjs"
        if not (shutil.which("node") and shutil.which("npm")):
            _missing("node and npm")
        if not module.exists():
            flags = ["--no-save", "--no-package-lock", "--no-audit", "--no-fund", "--ignore-scripts"]
            command = ["npm", "install", "--prefix", str(cache), *flags, PACKAGE]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode or not module.exists():
                _missing(f"{PACKAGE} (npm: {(done.stderr.strip().splitlines() or ['no word'])[0]})")
        return cls(module)

    def command(self, script: Path, how: str) -> list[str]:
        """`how`: "played" or "live", see run_micropython.mjs."""
        return ["node", str(RUNNER), str(self.module), str(script), how, str(FAKE), str(RP2040)]

    def play(self, script: dict[str, Any], path: Path) -> tuple[bytes, float]:
        """What the board sends to a script, and the seconds of the processor that it took, the interpreter's start left out."""
        path.write_text(json.dumps(script))
        done = subprocess.run(self.command(path, "played"), capture_output=True, check=False)
        assert done.returncode == 0, done.stderr.decode()
        took = done.stderr.decode().splitlines()
        assert took[1:] == [], took
        return done.stdout, float(took[0].split()[1])


def _missing(what: str) -> None:
    if os.environ.get("FIRMWARE_TOOLS") == "required":
        pytest.fail(f"missing for the firmware's tests: {what}")
    pytest.skip(f"not installed: {what}")
