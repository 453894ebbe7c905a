"""A site file as read: its values, where each stands, and the form of every table checked against the schema."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from controller.site.locate import line_of, locate
from controller.site.problems import Path, Problem, SiteFileError, did_you_mean, shown
from controller.site.problems import dotted as dotted_path
from controller.site.schema import LONGEST_LISTS, REPEATED_TABLES, REQUIRED_TABLES, SINGLE_TABLES, Declared
from controller.site.vocabulary import known_keys, vocabulary

_MISSING = object()


class Document:
    """Values and lines of one file; collects problems as they are found."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.values = _read_toml(text, name)
        self._lines: Mapping[Path, int] = locate(text)

    def complain(self, path: Path, text: str) -> None:
        """Note a problem with the value at `path`, with its line and what is written there."""
        value = self.value(path)
        written = "" if value is _MISSING or isinstance(value, dict | list) else shown(value)
        if isinstance(value, list) and not any(isinstance(entry, dict) for entry in value):
            written = shown(value)
        self.problems.append(Problem(self.name, line_of(path, self._lines), dotted_path(path), written, text))

    def value(self, path: Path) -> Any:
        """What stands at `path`; a private marker when nothing does."""
        value: Any = self.values
        for part in path:
            if isinstance(part, int):
                found = isinstance(value, list) and part < len(value)
            else:
                found = isinstance(value, dict) and part in value
            if not found:
                return _MISSING
            value = value[part]
        return value

    def text_at(self, path: Path) -> str | None:
        """The text at `path`, None when there is no text."""
        value = self.value(path)
        return value if isinstance(value, str) else None

    def count_at(self, path: Path) -> int | None:
        """The whole number at `path`, None when there is none."""
        value = self.value(path)
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def entries(self, name: str) -> list[Path]:
        """Paths of the entries of a repeated table such as [[zone]]."""
        value = self.values.get(name)
        return [(name, i) for i in range(len(value))] if isinstance(value, list) else []

    # --- form -----------------------------------------------------------------------------------------------------

    def check_top_level(self) -> None:
        """Unknown, missing and wrongly written tables."""
        known = [*SINGLE_TABLES, *REPEATED_TABLES]
        for name in self.values:
            if name not in known:
                self.complain((name,), f"unknown table{did_you_mean(name, known)}; tables: {', '.join(known)}")
        for name in REQUIRED_TABLES:
            if name not in self.values:
                header = f"[[{name}]]" if name in REPEATED_TABLES else f"[{name}]"
                self.problems.append(Problem(self.name, 1, name, "", f"missing: a site needs at least one {header}"))
        for name, most in LONGEST_LISTS.items():
            if name in self.values:
                self._check_list(name, most)
        for name in SINGLE_TABLES:
            if isinstance(self.values.get(name), list):
                self.complain((name,), f"there can be only one; write it once, as [{name}]")

    def _check_list(self, name: str, most: int) -> None:
        value = self.values[name]
        if not isinstance(value, list):
            self.complain((name,), f"write each entry under its own heading in double brackets: [[{name}]]")
        elif len(value) > most:
            self.complain((name, most), f"too many: at most {most} [[{name}]] in one site")
        elif not value and name in REQUIRED_TABLES:
            self.complain((name,), f"empty: a site needs at least one [[{name}]]")

    def read_table(self, path: Path, model: type[Declared]) -> Declared | None:
        """The table at `path` as its schema class; None, with problems noted, when its form is wrong."""
        value = self.value(path)
        try:
            return model.model_validate(value)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                self._note(path, detail["loc"], detail["type"], detail.get("ctx", {}), detail["msg"])
            return None

    def _note(
        self, base: Path, loc: tuple[int | str, ...], kind: str, context: Mapping[str, Any], message: str
    ) -> None:
        path = (*base, *self._without_tags(base, loc))
        names = tuple(part for part in (*base, *loc) if isinstance(part, str))
        if kind == "extra_forbidden":
            known = known_keys(names[:-1])
            self.complain(path, f"unknown key{did_you_mean(str(path[-1]), known)}; keys here: {', '.join(known)}")
        elif kind == "missing":
            self.complain(path, f"missing; it takes {vocabulary()[names].allowed}")
        elif kind in ("union_tag_not_found", "union_tag_invalid"):
            written = str(context.get("tag", ""))
            tags = [tag.strip().strip("'") for tag in str(context.get("expected_tags", "")).split(",") if tag]
            self._note_kind((*path, "kind"), written, tags or _kinds_at(names))
        else:
            self.complain(path, _STRUCTURE.get(kind, message))

    def _note_kind(self, path: Path, written: str, kinds: list[str]) -> None:
        what = f"not known{did_you_mean(written, kinds)}" if written else "missing"
        self.complain(path, f"{what}; allowed: one of " + ", ".join(f'"{kind}"' for kind in kinds))

    def _without_tags(self, base: Path, loc: tuple[int | str, ...]) -> Iterator[int | str]:
        """Drop the steps that name which kind of shape was read: they are not keys of the file."""
        path = base
        for part in loc:
            value = self.value(path)
            if isinstance(part, str) and isinstance(value, dict) and value.get("kind") == part and part not in value:
                continue
            path = (*path, part)
            yield part


_STRUCTURE = {
    "model_type": "expected a table here (keys under a heading in brackets, or inside braces)",
    "model_attributes_type": "expected a table here (keys under a heading in brackets, or inside braces)",
    "list_type": "expected a list here: values in square brackets, or tables under double-bracket headings",
    "too_short": "too few entries in this list",
    "too_long": "too many entries in this list",
}


def _kinds_at(names: tuple[str, ...]) -> list[str]:
    allowed = vocabulary()[(*names, "kind")].allowed
    return allowed.split('"')[1::2]


def _read_toml(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SiteFileError([Problem(name, 1, "", "", "brackets are nested far too deeply")]) from None
    except ValueError as error:
        line, reason = _where_and_why(str(error), text)
        raise SiteFileError([Problem(name, line, "", "", f"this is not valid TOML: {reason}")]) from None


def _where_and_why(message: str, text: str) -> tuple[int, str]:
    """tomllib ends its messages with "(at line 3, column 7)" or "(at end of document)"."""
    reason, _, where = message.rpartition(" (at ")
    words = where.replace(",", " ").replace(")", " ").split()
    if words[:1] == ["line"] and words[1:2] and words[1].isdigit():
        return int(words[1]), f"{reason} (column {words[3]})"
    if where.startswith("end of document"):
        return text.count("\n") + 1, f"{reason}: the file ends too early"
    return 1, message
