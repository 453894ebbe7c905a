"""docs/accounts.md says what the code does: roles, spans, limits, options, the broker's accounts."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from controller.commands import broker_config
from controller.service.broker_files import SiteTopics, accounts_for
from dashboards import accounts, accounts_command, gate, guesses, http_guard, passwords, server, watch
from dashboards.access import ROLES

PAGE = (Path(__file__).parents[2] / "docs" / "accounts.md").read_text(encoding="utf-8")
FLAT = " ".join(PAGE.split())


def test_roles_and_broker_accounts_are_those_of_the_code() -> None:
    assert tuple(re.findall(r"^\| `(\w+)` \| (?:see|also)", PAGE, re.MULTILINE)) == ROLES
    written = re.findall(r"^\| `([a-z]+(?:-SITE)?)` \| (?:`|a )", PAGE, re.MULTILINE)
    declared = [account.name.replace("-riverside", "-SITE") for account in accounts_for([SiteTopics("riverside")])]
    assert written == declared


def test_spans_and_limits_are_those_of_the_code() -> None:
    assert accounts.SET_UP_LINK_S == 3600
    assert accounts.SESSION_IDLE_S == 7 * 86_400
    assert (guesses.FREE_TRIES, guesses.LONGEST_WAIT_S) == (5, 300.0)
    for said in (
        "The link holds for an hour and works once",
        f"at least {passwords.SHORTEST} characters",
        f"A sign-in lasts {accounts.SESSION_LONGEST_S // 86_400} days, or a week without use",
        "five tries; then each has to wait twice as long as the last, up to 5 minutes",
        f"at most {server.MOST_CONNECTIONS_OF_AN_ADDRESS} connections from an address",
        f"and {server.MOST_CONNECTIONS} in all",
        f"{server.REQUEST_WITHIN_S:.0f} s for a request's head, {http_guard.BODY_WITHIN_S:.0f} s for its body",
        f"{http_guard.MAX_BODY_BYTES // 1024} KiB of body, {http_guard.MAX_HEADERS} header lines",
        f"{http_guard.MAX_HEADER_BYTES // 1024} KiB of headers",
        f"{gate.REQUESTS_PER_S:.0f} requests a second from an address that has not signed in",
        "on port 8883",
    ):
        assert said in FLAT, said
    assert accounts.PASSWORD_LINK_S == 3 * 86_400
    assert "within three days" in FLAT


def test_every_option_and_action_it_names_exists() -> None:
    known = set()
    for module in (watch, accounts_command, broker_config):
        parser = argparse.ArgumentParser()
        module.add_arguments(parser)
        known |= set(re.findall(r"--[a-z-]+", parser.format_help()))
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for sub in action.choices.values():
                    known |= set(re.findall(r"--[a-z-]+", sub.format_help()))
                named = re.findall(r"watch-accounts --accounts \S+ ([a-z-]+)|^\$accounts ([a-z]+)", PAGE, re.MULTILINE)
                assert {one or other for one, other in named} == {"set-up", "list", "link"} <= set(action.choices)
    assert set(re.findall(r"--[a-z][a-z-]+", PAGE)) <= known


def test_the_files_it_names_are_those_that_are_written() -> None:
    assert all(f"`{name}`" in PAGE for name in broker_config.FILES)
