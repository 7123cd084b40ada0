"""Packages that only some commands need, and which the base install leaves out."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from analysis.base.errors import UsageError


def needed(module: str, what: str) -> Any:
    """The module. UsageError with the command that installs it if it is not there."""
    try:
        return import_module(module)
    except ImportError:
        package = module.partition(".")[0]
        raise UsageError(f"{what} need {package}", do="Install it with: pip install 'lobetrace[archive]'") from None
