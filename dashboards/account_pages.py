"""The pages of accounts as HTML text: set up, sign in, choose a password, one's own account, everybody's accounts.

They hold no script at all. Every text from outside is escaped here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from dashboards.access import FORM_FIELD, Person, Role
from dashboards.accounts import Account, ApiToken, sites_text
from dashboards.passwords import SHORTEST

ROLE_WORDS: dict[Role, str] = {
    "look": "look, and change nothing",
    "act": "look, order water and change schedules",
    "keep": "look, order water, change schedules, and say who has an account",
}
ROLE_CHOICES: dict[Role, str] = {"look": "look only", "act": "order water too", "keep": "keep the accounts too"}
"""Short enough for a list on a narrow phone."""
PASSWORD_HINT = f"At least {SHORTEST} characters; three or four words that do not belong together will do."
SITES_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to type: what the label says, and what browsers and password keepers have to know of it."""

    name: str
    label: str
    kind: str = "text"
    value: str = ""
    hint: str = ""
    complete: str = "off"


def sign_in_page(token: str, leads_to: str, name: str = "", problem: str = "") -> str:
    form = _form(
        "/sign-in",
        token,
        [Field("name", "Name", value=name, complete="username"), _password("Password", complete="current-password")],
        "Sign in",
        {"next": leads_to},
        problem,
    )
    forgot = (
        '<p class="note">Forgotten the password? Whoever keeps the accounts can give you a link to choose another; so '
        "can <code>pumphouse watch-accounts link NAME</code> on the machine that serves this page.</p>"
    )
    return _document("Sign in", f"{form}{forgot}", problem)


def set_up_page(token: str, key: str, name: str = "", problem: str = "") -> str:
    said = "<p>Nobody has an account here yet. Yours will be the first; with it you can add others.</p>"
    hint = "Small letters and digits, as you will type it to sign in."
    fields = [Field("name", "Name", value=name, hint=hint, complete="username"), _new_password()]
    form = _form("/set-up", token, fields, "Make the account", {"key": key}, problem)
    return _document("Set up this page", said + form, problem)


def needs_set_up_page() -> str:
    return _document(
        "Not set up yet",
        "<p>Nobody has an account here yet. When <code>pumphouse watch</code> started, it printed a link that makes "
        "the first one; it holds for an hour.</p><p>For another link run <code>pumphouse watch-accounts set-up</code> "
        "on that machine, or start <code>pumphouse watch</code> again.</p>",
    )


def new_password_page(token: str, key: str, name: str, problem: str = "") -> str:
    shown = Field("name", "Name", value=name, complete="username", kind="readonly")
    form = _form("/new-password", token, [shown, _new_password()], "Keep this password", {"key": key}, problem)
    return _document("Choose a password", form, problem)


def dead_link_page() -> str:
    return _document(
        "This link does not work",
        "<p>It has been used, or it is too old, or there is a newer one. Ask whoever keeps the accounts for another."
        "</p>"
        '<p><a href="/sign-in">Sign in</a></p>',
    )


def account_page(token: str, person: Person, said: str = "", problem: str = "") -> str:
    sites = "every site" if person.sites is None else ", ".join(sorted(person.sites)) or "no site"
    keep = '<p><a href="/people">Who has an account</a></p>' if person.role == "keep" else ""
    about = (
        f'<dl class="about"><dt>Name</dt><dd>{_e(person.name)}</dd><dt>May</dt><dd>{_e(ROLE_WORDS[person.role])}</dd>'
        f"<dt>Sites</dt><dd>{_e(sites)}</dd></dl>{keep}"
    )
    password = _form(
        "/account/password",
        token,
        [
            Field("name", "Name", kind="hidden", value=person.name, complete="username"),
            _password("Password as it is now", "old", "current-password"),
            _new_password("New password"),
        ],
        "Change the password",
        {},
        problem,
    )
    leave = (
        f'<div class="buttons">{_button("/sign-out", token, "Sign out")}'
        f"{_button('/sign-out-everywhere', token, 'Sign out everywhere')}</div>"
        '<p class="note">Everywhere: on every phone and computer that is signed in with this account.</p>'
    )
    return _document(
        "Your account",
        f"{_said(said)}{about}<h2>Sign out</h2>{leave}<h2>Another password</h2>{password}{_back()}",
        problem,
    )


def people_page(
    token: str,
    keeper: Person,
    accounts: Sequence[Account],
    tokens: Sequence[ApiToken],
    sites: Sequence[str],
    said: str = "",
    problem: str = "",
) -> str:
    """Everybody who may come in, and every program; with what a keeper can do about it."""
    people = "".join(_person(token, keeper, account, sites) for account in accounts)
    programs = "".join(_program(token, t) for t in tokens) or '<p class="note">There are none.</p>'
    add = _form(
        "/people/add",
        token,
        [Field("name", "Name", hint="Small letters and digits, as they will type it to sign in.")],
        "Add and get a link",
        {},
        extra=_role_choice("new", "look", ("look", "act", "keep")) + _sites_choice("new", None, sites),
    )
    make = _form(
        "/people/token",
        token,
        [Field("label", "What it is for", hint="For example weather-script.")],
        "Make a token",
        {},
        extra=_role_choice("token", "look", ("look", "act")) + _sites_choice("token", None, sites),
    )
    return _document(
        "Who has an account",
        f"{_said(said)}{_alert(problem)}<h2>People</h2>{people}<h2>Add somebody</h2>{add}"
        "<p class=note>You get a link for them; with it they choose their own password. It holds for three days.</p>"
        f"<h2>Programs</h2><p class=note>A token lets a program use the JSON interface, with the header "
        f"<code>Authorization: Bearer TOKEN</code>.</p>{programs}<h3>A new token</h3>{make}{_back()}",
        problem,
    )


def link_page(name: str, url: str) -> str:
    """Shown once, right after the link was made."""
    return _document(
        "Give them this link",
        f"<p>With it <strong>{_e(name)}</strong> chooses a password. It holds for three days and works once; whoever "
        "has it can sign in as them, so hand it over in private.</p>"
        f'<p class="secret"><code>{_e(url)}</code></p><p><a href="/people">Back to who has an account</a></p>',
    )


def token_page(label: str, token: str) -> str:
    """Shown once, right after the token was made."""
    return _document(
        "Copy this token now",
        f"<p>The token of <strong>{_e(label)}</strong>. It is shown this once and kept nowhere in readable form: put "
        "it into a file that only that program can read.</p>"
        f'<p class="secret"><code>{_e(token)}</code></p><p><a href="/people">Back to who has an account</a></p>',
    )


def trouble_page(title: str, text: str) -> str:
    """What went wrong with a request, in words."""
    return _document(title, f'<p role="alert">{_e(text)}</p><p><a href="/">Back to the page</a></p>')


# --- parts ---


def _person(token: str, keeper: Person, account: Account, sites: Sequence[str]) -> str:
    person = account.person
    seen = f"signed in last on {_day(account.signed_in_s)}" if account.signed_in_s else "has never signed in"
    where = "" if person.sites is None else f" · sites: {', '.join(sorted(person.sites)) or 'none'}"
    waiting = "" if account.has_password else " · no password chosen yet"
    browsers = "1 browser" if account.sessions == 1 else f"{account.sessions} browsers"
    now = f" · signed in with {browsers}" if account.sessions else ""
    head = (
        f"<h3>{_e(person.name)}</h3><p>May {_e(ROLE_WORDS[person.role])}{_e(where)}</p>"
        f'<p class="note">{_e(seen + now + waiting)}</p>'
    )
    named = {"name": person.name}
    change = _form(
        "/people/change",
        token,
        [],
        "Change",
        named,
        extra=_role_choice(person.name, person.role, ("look", "act", "keep"))
        + _sites_choice(person.name, person.sites, sites),
    )
    link = _button("/people/link", token, "Link for a new password", named)
    who = _e(person.name)
    gone = (
        f'<details><summary>Remove <span class="hidden">the account of {who}</span></summary><p>Signs them out '
        "everywhere and takes back the tokens they have made.</p>"
        f"{_button('/people/remove', token, 'Remove the account', named, 'stop-all')}</details>"
    )
    if person.name == keeper.name:
        gone = '<p class="note">Your own account can be removed by another keeper.</p>'
    return (
        f'<article>{head}<details><summary>Change <span class="hidden">the account of {who}</span></summary>{change}'
        f"{link}</details>{gone}</article>"
    )


def _program(token: str, api: ApiToken) -> str:
    where = "every site" if api.sites is None else f"sites: {', '.join(sorted(api.sites))}"
    used = f"used last on {_day(api.used_s)}" if api.used_s else "never used"
    about = f"{api.role} · {where} · made by {api.made_by} on {_day(api.made_s)} · {used}"
    revoke = _button("/people/revoke", token, f"Take back {api.label}", {"id": str(api.id)}, "stop-all")
    return f'<article><h3>{_e(api.label)}</h3><p class="note">{_e(about)}</p>{revoke}</article>'


def _form(
    action: str,
    token: str,
    fields: Sequence[Field],
    button: str,
    carried: dict[str, str],
    problem: str = "",
    extra: str = "",
) -> str:
    hidden = "".join(_hidden(name, value) for name, value in {FORM_FIELD: token, **carried}.items())
    shown = "".join(_field(action, field, bool(problem)) for field in fields)
    alert = _alert(problem)
    return (
        f'<form method="post" action="{action}" class="plain">{hidden}{alert}{shown}{extra}'
        f"<button>{_e(button)}</button></form>"
    )


def _field(action: str, field: Field, problem: bool) -> str:
    made = action.strip("/").replace("/", "-") + "-" + field.name
    value = f' value="{_e(field.value)}"' if field.value else ""
    about = f'id="{made}" name="{field.name}"{value} autocomplete="{field.complete}"'
    if field.kind == "hidden":
        return f'<input type="text" {about} hidden>'
    hint = f'<span class="note" id="{made}-hint">{_e(field.hint)}</span>' if field.hint else ""
    described = f' aria-describedby="{made}-hint"' if field.hint else ""
    wrong = ' aria-invalid="true"' if problem and field.kind == "password" else ""
    rest = ' type="text" readonly' if field.kind == "readonly" else f' type="{field.kind}" required'
    quiet = ' autocapitalize="none" spellcheck="false"' if field.kind == "text" else ""
    return f'<label for="{made}">{_e(field.label)}</label>{hint}<input {about}{rest}{quiet}{described}{wrong}>'


def _password(label: str, name: str = "password", complete: str = "current-password") -> Field:
    return Field(name, label, "password", complete=complete)


def _new_password(label: str = "Password") -> Field:
    return Field("password", label, "password", hint=PASSWORD_HINT, complete="new-password")


def _role_choice(whose: str, chosen: Role, roles: Sequence[Role]) -> str:
    options = "".join(
        f'<option value="{role}"{" selected" if role == chosen else ""}>{_e(ROLE_CHOICES[role])}</option>'
        for role in roles
    )
    made = f"role-of-{_e(whose)}"
    return f'<label for="{made}">May</label><select id="{made}" name="role">{options}</select>'


def _sites_choice(whose: str, chosen: frozenset[str] | None, sites: Sequence[str]) -> str:
    """Asked for only where there is something to choose."""
    if len(sites) < 2 and chosen is None:
        return ""
    made = f"sites-of-{_e(whose)}"
    known = ", ".join(sites[:SITES_SHOWN]) + (" …" if len(sites) > SITES_SHOWN else "")
    quiet = 'autocapitalize="none" spellcheck="false" autocomplete="off"'
    return (
        f'<label for="{made}">Only these sites</label><span class="note" id="{made}-hint">Ids with spaces between '
        f'them; empty is every site. Heard of: {_e(known)}</span><input type="text" id="{made}" name="sites" {quiet} '
        f'aria-describedby="{made}-hint" value="{_e(sites_text(chosen) or "")}">'
    )


def _button(action: str, token: str, words: str, carried: dict[str, str] | None = None, style: str = "") -> str:
    hidden = "".join(_hidden(name, value) for name, value in {FORM_FIELD: token, **(carried or {})}.items())
    look = f' class="{style}"' if style else ""
    return f'<form method="post" action="{action}">{hidden}<button{look}>{_e(words)}</button></form>'


def _hidden(name: str, value: str) -> str:
    return f'<input type="hidden" name="{_e(name)}" value="{_e(value)}">'


def _alert(problem: str) -> str:
    return f'<p class="problem" role="alert">{_e(problem)}</p>' if problem else ""


def _said(said: str) -> str:
    return f'<p class="said" role="status">{_e(said)}</p>' if said else ""


def _back() -> str:
    return '<p class="back"><a href="/">Back to the page</a></p>'


def _day(at_s: int | None) -> str:
    if at_s is None:
        return "never"
    day = datetime.fromtimestamp(at_s, UTC)
    return f"{day.day} {day:%B %Y}"


def _document(title: str, body: str, problem: str = "") -> str:
    told = f"Problem: {title}" if problem else title
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><meta name="robots" content="noindex">'
        f"<title>{_e(told)} – pumphouse</title>"
        '<link rel="stylesheet" href="/static/page.css"><link rel="stylesheet" href="/static/account.css">'
        '<link rel="icon" href="/static/icon.svg" type="image/svg+xml"></head>'
        f'<body class="account"><header><h1>{_e(title)}</h1></header><main>{body}</main></body></html>'
    )


def _e(text: str) -> str:
    return escape(text, quote=True)
