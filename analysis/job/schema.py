"""The JSON Schema of job.toml, made from the model, for editors that complete and check TOML as it is written.

It is shipped as job.schema.json beside this module, and `make_job` puts it beside each job.toml, whose first line names it. What a
schema cannot say (a rod that is too short for its stroke) is left to `parse_job`.
"""

from __future__ import annotations

import json
from typing import Any, Final

from pydantic import BaseModel

from analysis.job.explain import INSIDE, model_in
from analysis.job.model import DurationSpec, Job, Tolerance
from analysis.job.template import template
from analysis.job.write import explained

_ID: Final = "urn:lobetrace:job:1"  # the format's number


def schema_text() -> str:
    """The text of job.schema.json as the model would have it."""
    return json.dumps(job_schema(), indent=1, ensure_ascii=False) + "\n"


def job_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12. Each length and load has its key in either system, never both; descriptions are the template's."""
    made = Job.model_json_schema()
    comments = explained(template())
    kinds = {model.__name__: (path, model) for path, model in _models(Job, ())}
    defs = {name: _table(schema, *kinds[name], comments) for name, schema in made.pop("$defs").items()}
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": _ID, "title": "lobetrace job.toml"}
    made.pop("title", None)
    made.pop("description", None)
    return head | _table(made, (), Job, comments) | {"$defs": defs}


def _models(model: type[BaseModel], path: tuple[str, ...]) -> list[tuple[tuple[str, ...], type[BaseModel]]]:
    """Each table's model with where it stands first."""
    found: list[tuple[tuple[str, ...], type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        inner = model_in(field.annotation)
        if inner is not None:
            found += [((*path, name), inner), *_models(inner, (*path, name))]
    return list({kind: (where, kind) for where, kind in reversed(found)}.values())


def _table(
    schema: dict[str, Any], path: tuple[str, ...], model: type[BaseModel], comments: dict[str, dict[str, str]]
) -> dict[str, Any]:
    said = comments.get(".".join(path), {})
    properties: dict[str, Any] = {}
    rules: list[dict[str, Any]] = []
    needed = set(schema.get("required", ()))
    for key, each in schema["properties"].items():
        properties[key] = _described(each, said.get(key, comments.get(".".join((*path, key)), {}).get("", "")))
        outside, factor = _outside(key)
        if outside and "$ref" not in each:
            properties[outside] = _scaled(properties[key], factor)
            rules.append({"not": {"required": [key, outside]}})
            if key in needed:
                needed.discard(key)
                rules.append({"anyOf": [{"required": [key]}, {"required": [outside]}]})
    if issubclass(model, DurationSpec):  # a card that gives both readings has given the duration
        needed.discard("deg")
        both = [key for key in properties if key.endswith("dc_deg")]
        rules.append({"anyOf": [{"required": ["deg"]}, {"required": both}]})
    if model is Tolerance:
        properties["guard_band"] = {**properties["guard_band_factor"], "deprecated": True}
    table: dict[str, Any] = {"type": "object", "additionalProperties": False, "properties": properties}
    if text := said.get("", ""):
        table["description"] = text
    if needed:
        table["required"] = sorted(needed)
    if rules:
        table["allOf"] = rules
    return table


def _outside(key: str) -> tuple[str, float]:
    """The key in the other system and what its values are multiplied by; empty for a key that has none."""
    return next(
        ((key.removesuffix(inner) + suffix, factor) for suffix, (inner, factor) in INSIDE.items() if key.endswith(inner)),
        ("", 1.0),
    )


def _described(schema: dict[str, Any], text: str) -> dict[str, Any]:
    """The schema of a key with the template's words in place of the generated title. TOML has no null: a key is left out."""
    kept = {key: value for key, value in schema.items() if key not in ("title", "description")}
    if "$ref" in kept or kept.get("default", ...) is None:
        kept.pop("default", None)
    if {"type": "null"} in kept.get("anyOf", ()):
        (only,) = (each for each in kept.pop("anyOf") if each != {"type": "null"})
        kept |= only
    return {"description": text, **kept} if text else kept


def _scaled(schema: dict[str, Any], factor: float) -> dict[str, Any]:
    """The schema of a key in the other system: its bounds in that, without a default."""

    def scaled(value: Any) -> Any:
        if isinstance(value, list):
            return [scaled(each) for each in value]
        if not isinstance(value, dict):
            return value
        return {k: round(v / factor, 9) if k in ("minimum", "maximum") else scaled(v) for k, v in value.items() if k != "default"}

    found: dict[str, Any] = scaled(schema)
    return found


if __name__ == "__main__":
    print(schema_text(), end="")
