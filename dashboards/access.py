"""Who asks, and what they may do: the words that every route shares.

The gate (`dashboards.gate`) finds out who sent a request before any route runs and leaves a `Visit` with it. It lets
nobody through who has not signed in, and no form that is not from this page; routes add what only they know: that a
page needs the right to act (`Actor`), or which site it shows (`may_see`).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import Depends, HTTPException, Request

Role = Literal["look", "act", "keep"]
ROLES: tuple[Role, ...] = ("look", "act", "keep")
"""Each may do what those before it may. `keep` also decides who has an account."""

FORM_FIELD = "token"
_KEY_BYTES = 32


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody, or some program, whose right to be here has been proved. `sites` None: every site."""

    name: str
    role: Role
    sites: frozenset[str] | None = None

    def may(self, role: Role) -> bool:
        return ROLES.index(self.role) >= ROLES.index(role)


@dataclass(frozen=True, slots=True)
class Visit:
    """What the gate knows of a request. `form_token` goes into every form; "" for a program with a token of its own."""

    person: Person | None
    form_token: str = ""
    has_account: bool = False
    """Signed in with a password: there is an account page, and a way to sign out."""


def visit(request: Request) -> Visit:
    """The gate's word on this request; an application without a gate has visitors without rights."""
    found = getattr(request.state, "visit", None)
    return found if isinstance(found, Visit) else Visit(None)


def looker(request: Request) -> Person:
    """Whoever asks. Raises HTTPException 401 when nobody has signed in."""
    person = visit(request).person
    if person is None:
        raise HTTPException(401, "sign in first")
    return person


def actor(request: Request) -> Person:
    """Whoever asks, with the right to order water. Raises HTTPException 401 or 403."""
    return _with_role(request, "act")


def keeper(request: Request) -> Person:
    """Whoever asks, with the right to say who has an account. Raises HTTPException 401 or 403."""
    return _with_role(request, "keep")


Looker = Annotated[Person, Depends(looker)]
Actor = Annotated[Person, Depends(actor)]
Keeper = Annotated[Person, Depends(keeper)]


def _with_role(request: Request, role: Role) -> Person:
    person = looker(request)
    if not person.may(role):
        raise HTTPException(403, f"{person.name} may look, but not do this; whoever keeps the accounts can allow it")
    return person


def may_see(person: Person, site_id: str) -> bool:
    """Whether this site is one of the person's. When it is not, say "no such site": its name too is kept to itself."""
    return person.sites is None or site_id in person.sites


def sites_for(person: Person, sites: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Those of the (id, name) pairs that the person may see, in the same order."""
    return [(site_id, name) for site_id, name in sites if may_see(person, site_id)]


def csrf_token(request: Request) -> str:
    """Goes into every form as the hidden field `token`; the gate refuses a form without it."""
    return visit(request).form_token


# --- how a form proves that it is from this page ---


def form_token(secret: str) -> str:
    """A token that only whoever holds `secret` (the session's cookie) can be given, written differently each time.

    It is hidden by a random pad so that compressed pages of different length tell nothing about it (the BREACH attack,
    Gluck, Harris and Prado 2013).
    """
    key = _form_key(secret)
    pad = secrets.token_bytes(_KEY_BYTES)
    hidden = bytes(a ^ b for a, b in zip(pad, key, strict=True))
    return base64.urlsafe_b64encode(pad + hidden).decode("ascii")


def is_form_token(token: str, secret: str) -> bool:
    """Whether the token was made for this secret; takes as long for a near miss as for a far one."""
    try:
        raw = base64.b64decode(token.encode("ascii"), altchars=b"-_", validate=True)
    except (binascii.Error, UnicodeEncodeError):
        return False
    if len(raw) != 2 * _KEY_BYTES:
        return False
    key = bytes(a ^ b for a, b in zip(raw[:_KEY_BYTES], raw[_KEY_BYTES:], strict=True))
    return hmac.compare_digest(key, _form_key(secret))


def _form_key(secret: str) -> bytes:
    return hmac.new(secret.encode("utf-8"), b"pumphouse form", hashlib.sha256).digest()
