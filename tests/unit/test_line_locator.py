"""Every key of a TOML document is found on the line it stands on."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.site.locate import line_of, locate
from controller.site.problems import Path, dotted
from simulator.example import example_site_text


def paths_of(value: Any, path: Path = ()) -> set[Path]:
    """All paths of a document as the standard reader nests it."""
    if isinstance(value, dict):
        inner = set().union(*(paths_of(entry, (*path, key)) for key, entry in value.items()), set())
    elif isinstance(value, list):
        inner = set().union(*(paths_of(entry, (*path, i)) for i, entry in enumerate(value)), set())
    else:
        inner = set()
    return inner | {path} if path else inner


TRICKY = '''# a comment with [brackets] and "quotes
first = 1 # [not.a.table]
a.b . "c d".'e.f' = 2
text = """
[inside]
"quoted" \\""" still inside
key = 1 """
raw = \'\'\'
[[inside]]
\'\'\'
ends = """a"""""
empty = ""
day = 1979-05-27 07:32:00Z
number = -1_000.5e3

[ table . "sub table" ] # heading
list = [ 1, # ]
  "two, ]", { x = "}", "\\u00e9" = \'{\' },
  [ [], [3,
     4] ],
]
[[zone]]
id = "one"
schedule.mode = "need"
[zone.valve]
output = 1
[[zone.crop]]
plant = "a"
[[zone.crop]]
plant = "b"
[[zone]]
id = "two"
[[zone.crop]]
plant = "c"
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("first",), 2),
        (("a", "b", "c d", "e.f"), 3),
        (("text",), 4),
        (("raw",), 8),
        (("ends",), 11),
        (("empty",), 12),
        (("day",), 13),
        (("number",), 14),
        (("table", "sub table"), 16),
        (("table", "sub table", "list", 0), 17),
        (("table", "sub table", "list", 2, "é"), 18),
        (("table", "sub table", "list", 3, 1, 1), 20),
        (("zone", 0), 22),
        (("zone", 0, "schedule", "mode"), 24),
        (("zone", 0, "valve", "output"), 26),
        (("zone", 0, "crop", 0, "plant"), 28),
        (("zone", 0, "crop", 1, "plant"), 30),
        (("zone", 1, "id"), 32),
        (("zone", 1, "crop", 0, "plant"), 34),
    ],
    ids=lambda value: dotted(value) if isinstance(value, tuple) else str(value),
)
def test_keys_are_found_through_strings_comments_and_tables(path: Path, line: int) -> None:
    assert locate(TRICKY)[path] == line


@pytest.mark.parametrize(
    "text", [TRICKY, TRICKY.replace("\n", "\r\n"), example_site_text()], ids=["lf", "crlf", "site"]
)
def test_exactly_the_paths_of_the_document_are_located(text: str) -> None:
    assert set(locate(text)) == paths_of(tomllib.loads(text))


def test_windows_line_ends_do_not_shift_lines() -> None:
    assert locate(TRICKY.replace("\n", "\r\n")) == locate(TRICKY)


def test_what_is_not_there_is_put_down_to_what_encloses_it() -> None:
    lines = locate(TRICKY)
    assert line_of(("zone", 1, "valve", "output"), lines) == 31
    assert line_of(("nothing", "here"), lines) == 1


# --- documents written from random values ----------------------------------------------------------------------------

keys = st.one_of(
    st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True), st.text(st.sampled_from("a.\"\\ #[]='é"), max_size=4)
)
scalars = st.one_of(
    st.integers(-1000, 1000).map(str),
    st.booleans().map(lambda flag: "true" if flag else "false"),
    st.sampled_from(
        ["1979-05-27", "07:32:00", "1.5e3", "inf", '""', "''", '"a # b"', "'[x]'", '"""\n"x\n"""', "'''\n\n'''"]
    ),
)


def quoted(key: str) -> str:
    return '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'


values = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda entries: "[ " + ",\n # ]\n".join(entries) + " ]"),
        st.dictionaries(keys, inner, max_size=3).map(
            lambda table: "{ " + ", ".join(f"{quoted(key)} = {value}" for key, value in table.items()) + " }"
        ),
    ),
    max_leaves=8,
)
tables = st.dictionaries(keys, values, max_size=4)


@st.composite
def documents(draw: st.DrawFn) -> str:
    lines = [f"{quoted(key)} = {value} # x" for key, value in draw(tables).items()]
    for heading in draw(st.lists(st.sampled_from(["[[t.x]]", "[[t.x.y]]", "[ t . x . 'q' ]", "[u.v]"]), max_size=6)):
        lines += [heading, *(f"  {quoted(key)}= {value}" for key, value in draw(tables).items())]
    return "\n".join(lines)


@settings(max_examples=300, deadline=None)
@given(documents())
def test_any_document_the_standard_reader_takes_is_located_completely(text: str) -> None:
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(locate(text)) == paths_of(document)
