"""Other values in a site file's text, with every comment, blank line and other key left as it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.commissioning.outcome import SiteChange, Value
from controller.errors import ConfigurationError


def edited(text: str, changes: Sequence[SiteChange]) -> str:
    """The text with the changes in place. Raises ConfigurationError when the file is laid out so that it cannot be
    done without touching more, with the lines to change by hand."""
    # Only here: nothing else of the service needs it.
    import tomlkit

    document = tomlkit.parse(text)
    if tomlkit.dumps(document) != text:
        raise ConfigurationError(f"this file cannot be edited without touching more of it; {_by_hand(changes)}")
    for change in changes:
        try:
            _put(document, change)
        except (KeyError, IndexError, TypeError, ValueError) as error:
            raise ConfigurationError(f"{change.key} was not found where it should be; {_by_hand(changes)}") from error
    return tomlkit.dumps(document)


def _put(document: Any, change: SiteChange) -> None:
    holder = document
    for part in change.path[:-1]:
        holder = holder[part]
    last = change.path[-1]
    if isinstance(change.after, dict):
        holder[last] = _table(change.after, _tail(holder[last].as_string()))
        return
    old = holder[last]
    comment, space = old.trivia.comment, old.trivia.comment_ws
    before_length = len(old.as_string())
    holder[last] = change.after
    if comment:
        # A comment that stood in a column with others stays there.
        new = holder[last]
        width = len(space) + before_length - len(new.as_string())
        new.comment(comment)
        new.trivia.comment_ws = " " * max(1, width)


def _tail(table: str) -> str:
    """Blank lines and comments after a table's last key: they belong to what follows."""
    lines = table.splitlines(keepends=True)
    keys = [number for number, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")]
    return "".join(lines[keys[-1] + 1 :]) if keys else ""


def _table(values: dict[str, Value | list[Any]], tail: str) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, value in values.items():
        if isinstance(value, list):
            rows = tomlkit.array()
            for row in value:
                line = tomlkit.inline_table()
                line.update(row)
                rows.append(line)
            table.add(key, rows.multiline(True))
        else:
            table.add(key, value)
    if tail:
        table.add(tomlkit.ws(tail))
    return table


def _by_hand(changes: Sequence[SiteChange]) -> str:
    return "change by hand: " + "; ".join(change.line() for change in changes)
