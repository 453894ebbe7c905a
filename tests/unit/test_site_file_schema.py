"""`pumphouse check --schema`: what it refuses is wrong, and it refuses every wrong key, unit and kind of value."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli import main
from controller.site.fields import (
    Count,
    DayOfYear,
    Field,
    Id,
    JsonPointer,
    Named,
    Number,
    Text,
    TimeOfDay,
    TimeSpan,
)
from controller.site.json_schema import site_file_schema
from controller.site.units import DIMENSIONS, Dimension, QuantityError, parse_quantity, quantity_pattern
from controller.site.vocabulary import Names, vocabulary
from tests.unit.wrong_site_files import EXAMPLE, MISSING_TABLES, UNKNOWN_KEYS, WRONG_TYPES, WRONG_UNITS, Wrong

SCHEMA = site_file_schema()
VALIDATOR = jsonschema.Draft7Validator(SCHEMA)
WHOLE_AS_DECIMAL = "sensor_channel = 0.0"
"""A number without a fraction is an integer to JSON Schema; the program wants it written as one."""
OF_FORM = [
    wrong for wrong in [*WRONG_UNITS, *WRONG_TYPES, *UNKNOWN_KEYS, *MISSING_TABLES] if wrong.new != WHOLE_AS_DECIMAL
]


def test_it_is_a_schema_of_draft_7() -> None:
    jsonschema.Draft7Validator.check_schema(SCHEMA)


def test_the_example_is_good() -> None:
    assert [error.message for error in VALIDATOR.iter_errors(tomllib.loads(EXAMPLE))] == []


@pytest.mark.parametrize("wrong", OF_FORM, ids=lambda wrong: f"{wrong.key} {wrong.new}"[:60])
def test_what_is_wrong_in_form_is_refused_where_it_stands(wrong: Wrong) -> None:
    errors = list(VALIDATOR.iter_errors(tomllib.loads(wrong.text())))
    assert errors
    table = re.sub(r"\[\d+\]", "", wrong.key).split(".")[0]
    assert any(table in [*map(str, error.absolute_path), *re.findall(r"'(\w+)'", error.message)] for error in errors)


def test_every_key_of_the_vocabulary_is_in_it_with_what_it_takes() -> None:
    for names, key in vocabulary().items():
        if key.field is not None and "kind" not in names[-1:]:
            assert key.field.allowed in descriptions(names), names


def descriptions(names: Names) -> set[str]:
    """What the schema says of a key, found by walking along its names; shapes' kinds are steps of their own."""
    here: list[dict[str, Any]] = [SCHEMA]
    for name in names:
        nearer = [table["properties"][name] for table in tables(here) if name in table.get("properties", {})]
        kinds = [table for table in tables(here) if table.get("properties", {}).get("kind", {}).get("const") == name]
        here = nearer or kinds
    return {value["description"] for value in tables(here) if "description" in value}


def tables(nodes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The nodes themselves, behind references, lists and alternatives."""
    found = []
    for node in nodes:
        if "$ref" in node:
            found += tables([SCHEMA["$defs"][node["$ref"].rsplit("/", 1)[1]]])
        elif "oneOf" in node:
            found += tables(node["oneOf"])
        elif node.get("type") == "array":
            found += tables([node["items"]])
        else:
            found.append(node)
    return found


# --- values: the schema takes what the program takes ------------------------------------------------------------------

blanks = st.sampled_from(("", " ", "  ", "\t"))
numbers = st.one_of(
    st.integers(-(10**10), 10**10).map(str),
    st.floats(-1e6, 1e6).map(lambda value: f"{value:.4f}"),
    st.sampled_from(("1,5", ".5", "5.", "1e3", "+2", "--1", "1_000", "", "٣")),
)
unit_words = sorted({name for dimension in DIMENSIONS for name in dimension.units})


@given(st.sampled_from(DIMENSIONS), blanks, numbers, blanks, st.sampled_from(unit_words), blanks)
def test_a_quantity_is_taken_by_its_pattern_just_when_the_program_can_read_it(
    dimension: Dimension, before: str, number: str, between: str, unit: str, after: str
) -> None:
    text = f"{before}{number}{between}{unit}{after}"
    try:
        parse_quantity(text, dimension)
        readable = True
    except QuantityError:
        readable = False
    assert bool(re.search(quantity_pattern(dimension), text)) == readable


FIELDS: list[tuple[Field, st.SearchStrategy[Any]]] = [
    (Number(0.1, 1.4), st.one_of(st.floats(-1, 3), st.integers(-1, 3), st.booleans())),
    (Count(1, 9), st.one_of(st.integers(-2, 12), st.booleans(), st.text(max_size=2))),
    (Text(8), st.text(max_size=11)),
    (Id(), st.text("ab-9A ", max_size=34)),
    (JsonPointer(), st.text("/a~01", max_size=8)),
    (Named("soil", {"sand": 1, "loam": 2}), st.sampled_from(("sand", "Loam", " sand", "clay", "loam "))),
    (
        DayOfYear(),
        st.from_regex(r"[ ,]?([0-9]{1,3}[ ,]+[A-Za-z]{2,9}|(april|MAY)[ ,]+[0-9]{1,2})[ ,]?", fullmatch=True),
    ),
    (TimeOfDay(), st.from_regex(r" ?[0-9]{1,2}:[0-9]{2} ?", fullmatch=True)),
    (TimeSpan(), st.from_regex(r" ?[0-2]?[0-9]:[0-5][0-9] ?[-–] ?[0-2]?[0-9]:[0-5][0-9] ?", fullmatch=True)),
]


@pytest.mark.parametrize(("field", "values"), FIELDS, ids=lambda part: type(part).__name__)
def test_nothing_the_program_takes_is_marked_as_wrong(field: Field, values: st.SearchStrategy[Any]) -> None:
    validator = jsonschema.Draft7Validator(field.written())

    @given(values)
    def look(value: Any) -> None:
        try:
            field.read(value)
        except ValueError:
            return
        assert validator.is_valid(value), value

    look()


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (Number(0.1, 1.4), 1.5),
        (Count(1, 9), 10),
        (Count(1, 9), "3"),
        (Text(8), "nine chars"),
        (Id(), "Bean Row"),
        (JsonPointer(), "daily"),
        (Named("soil", {"sand": 1}), "clay"),
        (DayOfYear(), "2026-04-15"),
        (TimeOfDay(), "24:00"),
        (TimeSpan(), "05:30"),
    ],
    ids=str,
)
def test_a_value_of_the_wrong_form_is_marked(field: Field, value: object) -> None:
    assert not jsonschema.Draft7Validator(field.written()).is_valid(value)
    with pytest.raises(ValueError):
        field.read(value)


def test_the_command_prints_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out) == SCHEMA
