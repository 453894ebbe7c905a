"""A wrong site file is refused with file, line, key, value and cure, and never with anything but SiteFileError."""

from __future__ import annotations

import zoneinfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import ConfigurationError
from controller.site.load import SiteFileError, parse_site
from controller.site.model import Site
from tests.unit.wrong_site_files import EXAMPLE, WRONG_FILES, Wrong

TIME_ZONES = zoneinfo.available_timezones()


def refusal_of(text: str) -> SiteFileError:
    with pytest.raises(SiteFileError) as refusal:
        parse_site(text, "site.toml", TIME_ZONES)
    return refusal.value


def test_there_are_at_least_two_hundred_wrong_files_and_all_differ() -> None:
    assert len({wrong.text() for wrong in WRONG_FILES}) >= 200
    assert EXAMPLE not in {wrong.text() for wrong in WRONG_FILES}


@pytest.mark.parametrize("wrong", WRONG_FILES, ids=lambda wrong: f"{wrong.key}: {wrong.new}"[:70])
def test_the_mistake_is_named_where_it_was_made(wrong: Wrong) -> None:
    problems = refusal_of(wrong.text()).problems
    matching = [problem for problem in problems if problem.key == wrong.key and wrong.said in problem.text]
    assert matching, [str(problem) for problem in problems]
    assert {problem.line for problem in matching} == {wrong.line_number()}
    assert f"site.toml, line {wrong.line_number()}: {wrong.key}" in str(matching[0])


def test_the_example_itself_is_in_order() -> None:
    assert isinstance(parse_site(EXAMPLE, "site.toml", TIME_ZONES), Site)


def test_all_mistakes_are_reported_at_once_in_the_order_of_the_file() -> None:
    text = EXAMPLE
    edits = [
        ('area = "24 m2"', "area = 24"),
        ('overflow = "1090 mm"', 'overflow = "2 m"'),
        ('disconnect = "11.6 V"', 'disconnect = "10 V"'),
        ("emitter_count = 100", "emiter_count = 100"),
        ('soil = "potting mix"', 'soil = "clay"'),
        ('inputs = "30 days"', "inputs = 30"),
    ]
    for old, new in edits:
        text = text.replace(old, new, 1)
    problems = refusal_of(text).problems
    assert [problem.key for problem in problems] == [
        "roof[1].area",
        "tank[1].overflow",
        "battery.disconnect",
        "zone[4].emitter_count",
        "zone[4].emiter_count",
        "zone[5].soil",
        "history.inputs",
    ]
    assert [problem.line for problem in problems] == sorted(problem.line for problem in problems)


def test_a_problem_shows_the_value_that_was_written() -> None:
    text = EXAMPLE.replace('"1400 mm"', '"140 mm"', 1)
    assert 'tank[1].sensor_height = "140 mm": the level sensor would be under water' in str(refusal_of(text))


def test_a_problem_shows_a_list_that_was_written_but_not_whole_tables() -> None:
    text = EXAMPLE.replace("[25, 35, 60, 20]", "[25, 35, 60]", 1).replace('share = "40 %"', 'share = "41 %"', 1)
    shown = {problem.key: problem.value for problem in refusal_of(text).problems}
    assert shown == {"zone[1].crop[1].stage_days": "[25, 35, 60]"}
    text = EXAMPLE.replace('share = "40 %"', 'share = "50 %"', 1)
    assert {problem.key: problem.value for problem in refusal_of(text).problems} == {"zone[1].crop": ""}


def test_a_place_at_zero_north_and_zero_east_was_never_filled_in() -> None:
    text = EXAMPLE.replace('"51.72 °N"', '"0 °"', 1).replace('"2.14 °W"', '"0 °"', 1)
    (problem,) = refusal_of(text).problems
    assert problem.key == "place.latitude"
    assert "a point in the ocean" in problem.text


def test_what_two_entries_both_lack_is_missing_and_not_twice_the_same() -> None:
    text = EXAMPLE.replace('id = "berry-row"', "", 1).replace('id = "bean-row"', "", 1)
    text = text.replace("output = 2, ", "", 1).replace("output = 3, ", "", 1)
    problems = refusal_of(text).problems
    assert {problem.key for problem in problems} == {
        "zone[3].id",
        "zone[3].valve.output",
        "zone[4].id",
        "zone[4].valve.output",
    }
    assert all(problem.text.startswith("missing") for problem in problems)


def test_problems_speak_the_owners_units() -> None:
    text = EXAMPLE.replace('units = "metric"', 'units = "us"', 1).replace('"1400 mm"', '"140 mm"', 1)
    assert "above the overflow at 42.9 in" in str(refusal_of(text))


def test_a_text_that_is_never_closed_is_put_down_to_the_end_of_the_file() -> None:
    text = EXAMPLE.replace('"730 days"', '"""730 days', 1)
    (problem,) = refusal_of(text).problems
    assert problem.line == text.count("\n") + 1
    assert "the file ends too early" in problem.text


def test_a_refusal_is_a_configuration_error_with_its_exit_code() -> None:
    refusal = refusal_of("")
    assert isinstance(refusal, ConfigurationError)
    assert refusal.exit_code == 2


def test_without_a_list_of_time_zones_any_name_is_taken() -> None:
    text = EXAMPLE.replace("Europe/London", "Somewhere/Else", 1)
    assert parse_site(text, "site.toml").place.time_zone == "Somewhere/Else"


# --- nothing but SiteFileError ever comes out ------------------------------------------------------------------------

SNIPPETS = st.sampled_from(
    [
        "[",
        "]",
        "{",
        "}",
        "[[zone]]\n",
        "[site]\n",
        '"',
        "'''",
        '"""',
        "\n",
        "=",
        " = 1\n",
        ".",
        ",",
        "#",
        "nan",
        "-inf",
        "0x1f",
        "1979-05-27",
        '"1e9 L"',
        '"0 mm"',
        '"-5 m"',
        "true",
        "[]",
        "{}",
        "9" * 40,
        "9" * 5000,
        "\\",
        "\x00",
        "°",
        "kind",
        "tank",
        "points",
        '"stack"',
        '"strapping table"',
    ]
)

OTHER_VALUES = st.sampled_from(
    [
        *["1", "-1.5", "nan", "true", '""', '"0 mm"', '"1 m"', '"5 L"', '"9 V"', "[]", "[[]]", "{}", "{ kind = 1 }"],
        *['"stack"', '"flat"', "1979-05-27", "[1, 2, 3, 4]", '["00:00-24:00"]', '"main"', '"bed"', '"\\u0000"'],
    ]
)


@st.composite
def mutated_examples(draw: st.DrawFn) -> str:
    """The example with a few stretches cut out, doubled or replaced."""
    text = EXAMPLE
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 60)))
        middle = draw(st.one_of(SNIPPETS, st.just(""), st.just(text[start:end] * 2), st.text(max_size=5)))
        text = text[:start] + middle + text[end:]
    return text


@st.composite
def examples_with_other_values(draw: st.DrawFn) -> str:
    """Still TOML: some lines' values replaced by values of any kind."""
    lines = EXAMPLE.splitlines()
    places = [i for i, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    for i in draw(st.lists(st.sampled_from(places), min_size=1, max_size=4)):
        key = lines[i].split(" = ", 1)[0]
        lines[i] = f"{key} = {draw(OTHER_VALUES)}"
    return "\n".join(lines)


def is_site_or_refused(text: str) -> bool:
    try:
        return isinstance(parse_site(text, "site.toml", TIME_ZONES), Site)
    except SiteFileError as refusal:
        return bool(refusal.problems) and all(1 <= p.line <= text.count("\n") + 1 for p in refusal.problems)


@settings(max_examples=250, deadline=None)
@given(mutated_examples())
def test_a_damaged_file_is_read_or_refused_but_never_crashes(text: str) -> None:
    assert is_site_or_refused(text)


@settings(max_examples=250, deadline=None)
@given(examples_with_other_values())
def test_values_of_any_kind_are_read_or_refused_but_never_crash(text: str) -> None:
    assert is_site_or_refused(text)


@given(st.text(max_size=200))
def test_any_text_at_all_is_refused(text: str) -> None:
    assert refusal_of(text).problems
