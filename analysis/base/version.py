"""Which lobetrace this is, and what every JSON document says first: its schema, and which lobetrace wrote it."""

from __future__ import annotations

from functools import cache
from typing import Any


@cache
def version() -> str:
    """The installed version, or a word that says that it runs from its sources."""
    from importlib import metadata  # a tenth of a command's start, and few ask

    try:
        return metadata.version("lobetrace")
    except metadata.PackageNotFoundError:
        return "(not installed)"


def head(schema_id: str) -> dict[str, Any]:
    """The first keys of a document: the `$id` of its schema, the number that this ends in, and the version of lobetrace."""
    whole, _, _part = schema_id.partition("#")
    return {"$schema": schema_id, "schema": int(whole.rpartition(":")[2]), "lobetrace": version()}
