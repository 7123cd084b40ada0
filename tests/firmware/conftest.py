"""Tools of the firmware's tests. A missing one is a skip, and with FIRMWARE_TOOLS=required (make firmware-test) a failure."""

from __future__ import annotations

import importlib.util
import os
import shutil
from pathlib import Path

import pytest

from tests.firmware.core_on_host import Core, compiled
from tests.firmware.emulation import Emulator


def _need(**tools: bool) -> None:
    missing = ", ".join(tool.replace("_", "-") for tool, there in tools.items() if not there)
    if not missing:
        return
    if os.environ.get("FIRMWARE_TOOLS") == "required":
        pytest.fail(f"missing for the firmware's tests: {missing}")
    pytest.skip(f"not installed: {missing} (make firmware-test needs it)")


@pytest.fixture(scope="session")
def core(tmp_path_factory: pytest.TempPathFactory) -> Core:
    """The core, compiled for this machine."""
    _need(cc=bool(shutil.which("cc")), cffi=bool(importlib.util.find_spec("cffi")))
    return Core(compiled(tmp_path_factory.mktemp("core")))


@pytest.fixture(scope="session", params=["interrupts", "hardware"])
def any_core(request: pytest.FixtureRequest, core: Core, tmp_path_factory: pytest.TempPathFactory) -> Core:
    """The core with edges counted in interrupts, and the same with hardware that counts them."""
    return core if request.param == "interrupts" else Core(compiled(tmp_path_factory.mktemp("hardware"), "-DPORT_COUNTS"))


@pytest.fixture(scope="session")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Emulator:
    """Real images of the ATmega328P, to be run in the emulator."""
    _need(
        make=bool(shutil.which("make")),
        cc=bool(shutil.which("cc")),
        gcc_avr=bool(shutil.which("avr-gcc")),
        avr_libc=any(Path(p).exists() for p in ("/usr/lib/avr/include/avr/io.h", "/usr/avr/include/avr/io.h")),
        libsimavr_dev=Path("/usr/include/simavr/sim_avr.h").exists(),
        libelf_dev=Path("/usr/include/libelf.h").exists(),
    )
    return Emulator.built(tmp_path_factory.mktemp("images"))
