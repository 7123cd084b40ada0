"""The JSON Schema of job.toml as it comes with the package; `analysis.job.schema` makes it from the model."""

from __future__ import annotations

from importlib import resources
from typing import Final

SCHEMA_NAME: Final = "job.schema.json"


def shipped_schema() -> str:
    """Its text."""
    return (resources.files("analysis.job") / SCHEMA_NAME).read_text(encoding="utf-8")
