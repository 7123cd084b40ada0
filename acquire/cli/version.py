"""Which lobetrace this is."""

from __future__ import annotations

from functools import cache
from importlib import metadata


@cache
def version() -> str:
    """The installed version, or a word that says that it runs from its sources."""
    try:
        return metadata.version("lobetrace")
    except metadata.PackageNotFoundError:
        return "(not installed)"
