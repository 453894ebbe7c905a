"""The site file's keys as a flat list, read off the schema: for messages and for the reference page."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any

from controller.site.fields import Field
from controller.site.schema import REPEATED_TABLES, SINGLE_TABLES, Declared

Names = tuple[str, ...]
"""Where a key stands, without list positions; the kinds of a tank's shape are steps of their own."""


@dataclass(frozen=True, slots=True)
class Key:
    """A key of the vocabulary: what it takes, whether it must be there, and what holds when it is not."""

    allowed: str
    required: bool
    default: Any = None
    field: Field | None = None


@cache
def vocabulary() -> dict[Names, Key]:
    """All keys, in the order of the schema. A shape's own `kind` word stands beside the shape's kinds, once."""
    keys: dict[Names, Key] = {}
    for name, model in {**SINGLE_TABLES, **REPEATED_TABLES}.items():
        keys.update(_keys_of(model, (name,)))
    return keys


def known_keys(table: Names) -> list[str]:
    """The keys one table may hold."""
    depth = len(table)
    return [names[-1] for names in vocabulary() if len(names) == depth + 1 and names[:depth] == table]


@dataclass(frozen=True, slots=True)
class _Kind:
    """What stands behind an annotation: a single value, or tables by the step their kind adds, perhaps in a list."""

    field: Field | None
    models: tuple[type[Declared], ...]
    is_list: bool


def _keys_of(model: type[Declared], prefix: Names) -> Iterator[tuple[Names, Key]]:
    for name, info in model.model_fields.items():
        kind = _explore(info.annotation, info.metadata)
        if kind.field is None and not kind.models:
            continue
        default = None if info.is_required() else info.default
        names = (*prefix, name)
        yield names, Key(_allowed(kind), info.is_required(), default, kind.field)
        if len(kind.models) > 1:
            yield (*names, "kind"), Key("one of " + ", ".join(f'"{tag(m)}"' for m in kind.models), True)
        for inner in kind.models:
            step = (tag(inner),) if len(kind.models) > 1 else ()
            yield from _keys_of(inner, (*names, *step))


def tag(model: type[Declared]) -> str:
    """The word a table's `kind` must hold to be read as this model."""
    return str(typing.get_args(model.model_fields["kind"].annotation)[0])


def _allowed(kind: _Kind) -> str:
    if kind.field is not None:
        return f"a list; each {kind.field.allowed}" if kind.is_list else kind.field.allowed
    return "a list of tables" if kind.is_list else "a table"


def _explore(annotation: Any, metadata: list[Any] | tuple[Any, ...] = ()) -> _Kind:
    field = next((m for m in metadata if isinstance(m, Field)), None)
    if field is not None:
        return _Kind(field, (), False)
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is Annotated:
        return _explore(arguments[0], arguments[1:])
    if origin is list:
        inner = _explore(arguments[0])
        return _Kind(inner.field, inner.models, True)
    if origin in (typing.Union, types.UnionType):
        kinds = [_explore(argument) for argument in arguments if argument is not types.NoneType]
        if len(kinds) == 1:
            return kinds[0]
        return _Kind(None, tuple(model for kind in kinds for model in kind.models), False)
    is_table = isinstance(annotation, type) and issubclass(annotation, Declared)
    return _Kind(None, (annotation,) if is_table else (), False)
