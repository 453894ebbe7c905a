"""The site file's vocabulary as JSON Schema, for editors that complete keys and mark what is wrong while one types.

Draft 7, because that is what editors of TOML read. It judges single values and which keys there are; how they fit
together (a roof's tank must exist, shares add up) only `pumphouse check` can tell.
"""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema
from pydantic_core import core_schema

from controller.site.schema import LONGEST_LISTS, REPEATED_TABLES, REQUIRED_TABLES, SINGLE_TABLES

DRAFT = "http://json-schema.org/draft-07/schema#"


class _AsWritten(GenerateJsonSchema):
    """Values as they stand in the file: there is no null in TOML, and our defaults are in the program's own units."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def tagged_union_schema(self, schema: core_schema.TaggedUnionSchema) -> JsonSchemaValue:
        # The word that tells the kinds apart is in each kind already.
        written = super().tagged_union_schema(schema)
        written.pop("discriminator", None)
        return written

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002
        return False


def site_file_schema() -> dict[str, Any]:
    """The schema of a whole site file."""
    models = {**SINGLE_TABLES, **REPEATED_TABLES}
    references, generated = models_json_schema(
        [(model, "validation") for model in models.values()], schema_generator=_AsWritten
    )
    properties: dict[str, Any] = {}
    for name, model in models.items():
        table = references[model, "validation"]
        if name in REPEATED_TABLES:
            least = 1 if name in REQUIRED_TABLES else 0
            table = {"type": "array", "items": table, "minItems": least, "maxItems": LONGEST_LISTS[name]}
        properties[name] = table
    return {
        "$schema": DRAFT,
        "title": "Site file of pumphouse",
        "type": "object",
        "properties": properties,
        "required": list(REQUIRED_TABLES),
        "additionalProperties": False,
        "$defs": {name: _without_title(table) for name, table in sorted(generated["$defs"].items())},
    }


def _without_title(table: dict[str, Any]) -> dict[str, Any]:
    """The names of our classes say nothing to people."""
    return {name: value for name, value in table.items() if name not in ("title", "description")}
