"""`pumphouse watch-accounts`: the accounts of the page from the shell, for whoever is at the machine that serves it.

It works on the same file while the page runs; what it changes counts at once. The last resort when the keeper's
password is forgotten: whoever can read and write that file is trusted anyway.
"""

from __future__ import annotations

import argparse
import time
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import ConfigurationError, OperatingError
from dashboards.access import ROLES
from dashboards.accounts import AccountError, Accounts, sites_from

SUMMARY = "add, list and remove who may use the page, from the shell"
NO_ACCOUNT = "nobody has an account yet; make the first one with: pumphouse watch-accounts set-up"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--accounts",
        metavar="FILE",
        default="watch-accounts.sqlite3",
        help="the file that pumphouse watch uses (watch-accounts.sqlite3)",
    )
    parser.add_argument(
        "--page",
        metavar="URL",
        default="http://127.0.0.1:8080",
        help="where people open the page, for the links (http://127.0.0.1:8080)",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    actions.add_parser("list", help="people and programs, and when they were here last")
    actions.add_parser("set-up", help="print a link that makes the first account, for an hour")
    add = actions.add_parser("add", help="add somebody, and print a link by which they choose a password")
    add.add_argument("name")
    add.add_argument("--role", choices=ROLES, default="look", help="what they may do (look)")
    add.add_argument("--sites", default="", help="ids of the only sites they may see, with commas between (every site)")
    for action, text in (
        ("link", "print a link by which somebody chooses a new password"),
        ("sign-out", "end every session of somebody, on every phone and computer"),
        ("remove", "remove somebody's account, with the tokens they made"),
    ):
        actions.add_parser(action, help=text).add_argument("name")
    revoke = actions.add_parser("revoke", help="take back a program's token")
    revoke.add_argument("id", type=int, help="its number in the list")


def run(args: argparse.Namespace) -> int:
    """Do one thing. Raises OperatingError when it cannot be done."""
    if not args.page.startswith(("http://", "https://")):
        raise ConfigurationError(f"--page {args.page}: write it as in the browser, for example http://127.0.0.1:8080")
    if args.action not in ("add", "set-up") and not Path(args.accounts).is_file():
        raise OperatingError(f"there is no file {args.accounts}: name the one pumphouse watch uses with --accounts")
    accounts = Accounts(args.accounts)
    try:
        for line in _done(accounts, args, int(time.time())):
            print(line)
    except AccountError as error:
        raise OperatingError(str(error)) from error
    finally:
        accounts.close()
    return 0


def _done(accounts: Accounts, args: argparse.Namespace, now_s: int) -> list[str]:
    if args.action == "list":
        return _listed(accounts, now_s)
    if args.action == "set-up":
        key = accounts.new_set_up_link(now_s)
        if key is None:
            raise AccountError("there is an account already; see them with: pumphouse watch-accounts list")
        return [f"{args.page.rstrip('/')}/set-up?key={key}", "It makes the first account, within an hour."]
    if args.action == "revoke":
        accounts.revoke_token(args.id)
        return ["The token is taken back."]
    if args.action == "add":
        if accounts.is_empty():
            raise AccountError(NO_ACCOUNT)
        accounts.add_person(args.name, args.role, sites_from(args.sites), now_s)
    if args.action in ("add", "link"):
        key = accounts.new_password_link(args.name, now_s)
        link = f"{args.page.rstrip('/')}/new-password?key={key}"
        return [link, f"With it {args.name} chooses a password, within three days; it works once."]
    if accounts.person(args.name) is None:
        raise AccountError(f"There is no account called {args.name}.")
    if args.action == "sign-out":
        accounts.sign_out_everywhere(args.name)
        return [f"{args.name} is signed in nowhere any more."]
    accounts.remove_person(args.name)
    return [f"The account of {args.name} is gone."]


def _listed(accounts: Accounts, now_s: int) -> list[str]:
    lines = [
        f"{a.person.name:<32} {a.person.role:<5} {_sites(a.person.sites):<24} "
        + (f"last signed in {_day(a.signed_in_s)}" if a.has_password else "has not chosen a password yet")
        for a in accounts.accounts(now_s)
    ]
    lines += [
        f"token {t.id:<3} {t.label:<22} {t.role:<5} {_sites(t.sites):<24} "
        f"made by {t.made_by}, last used {_day(t.used_s)}"
        for t in accounts.tokens()
    ]
    return lines or [NO_ACCOUNT]


def _sites(sites: frozenset[str] | None) -> str:
    return "every site" if sites is None else ",".join(sorted(sites)) or "no site"


def _day(at_s: int | None) -> str:
    return "never" if at_s is None else f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}"
