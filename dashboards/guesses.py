"""Slows those who guess passwords, and never shuts out whoever knows theirs. A state machine; time is passed in.

Whoever guesses is known by the address alone, and an owner's address may be the guesser's (one household, one tunnel).
Three rules follow:

- A try from a browser that has signed in to that account before (it holds a mark, see "device cookies", OWASP) counts
  only against that browser. However much others guess, it gets in.
- Any other try counts against its address, and against its address with that name. After a few free tries each further
  one has to wait twice as long as the last, up to `LONGEST_WAIT_S`.
- Tries from everywhere count against the name as well, but only make the second rule stricter, for addresses that have
  tried before: the first tries from a new address are always let through, so that an owner with a new phone gets in.

A try counts when it begins, so that a hundred at once are a hundred; success takes it back.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass

FREE_TRIES = 5
FREE_TRIES_UNDER_ATTACK = 2
FREE_TRIES_OF_AN_ADDRESS = 15
"""More than for one name: several people may share an address."""
UNDER_ATTACK_FROM = 20
"""Tries that failed with one name, wherever from, within the time it takes to forget them."""
FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 300.0
FORGET_ONE_EVERY_S = 600.0
MOST_KEYS = 8192
"""All own choice. With them one address gets 300 tries a day, and a thousand addresses on one name 2000 quick ones: of
passwords of fifteen characters that is nothing."""


@dataclass(slots=True)
class _Count:
    failures: float
    at_s: float


class Guesses:
    """What is remembered of failed tries."""

    def __init__(self) -> None:
        self._counts: OrderedDict[Hashable, _Count] = OrderedDict()

    def admit(self, name: str, address: str, device: str | None, now_s: float) -> float:
        """0 when the try may go on (it counts from now on), else the seconds to wait. `device`: the mark's owner is
        this account, and this is how the mark is called."""
        keys = self._keys(name, address, device, now_s)
        wait_s = max(self._wait_s(key, free, now_s) for key, free in keys)
        if wait_s > 0.0:
            return wait_s
        for key, _ in keys:
            self._count(key, 1.0, now_s)
        if device is None:
            self._count(("name", name), 1.0, now_s)
        return 0.0

    def succeeded(self, name: str, address: str, device: str | None, now_s: float) -> None:
        """The try that was let through was right: it was no guess.

        Of the address only this one try is taken back; else somebody could guess at one account and sign in to another
        in turn.
        """
        if device is not None:
            self._counts.pop(("device", device), None)
            return
        self._counts.pop(("name at", name, address), None)
        self._count(("address", address), -1.0, now_s)
        self._count(("name", name), -1.0, now_s)

    def _keys(self, name: str, address: str, device: str | None, now_s: float) -> list[tuple[Hashable, int]]:
        if device is not None:
            return [(("device", device), FREE_TRIES)]
        attacked = self._counts.get(("name", name))
        strict = attacked is not None and self._faded(attacked, now_s) >= UNDER_ATTACK_FROM
        free = FREE_TRIES_UNDER_ATTACK if strict else FREE_TRIES
        return [(("name at", name, address), free), (("address", address), FREE_TRIES_OF_AN_ADDRESS)]

    def _wait_s(self, key: Hashable, free: int, now_s: float) -> float:
        count = self._counts.get(key)
        if count is None:
            return 0.0
        # Rounded up: a try is forgotten as a whole, not a little after a millisecond.
        over = math.ceil(self._faded(count, now_s)) - free
        if over < 0:
            return 0.0
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * math.pow(2.0, min(over, 20)))
        return max(0.0, count.at_s + wait_s - now_s)

    def _count(self, key: Hashable, change: float, now_s: float) -> None:
        count = self._counts.setdefault(key, _Count(0.0, now_s))
        count.failures = max(0.0, self._faded(count, now_s) + change)
        count.at_s = now_s
        self._counts.move_to_end(key)
        if len(self._counts) > MOST_KEYS:
            self._counts.popitem(last=False)

    @staticmethod
    def _faded(count: _Count, now_s: float) -> float:
        return max(0.0, count.failures - (now_s - count.at_s) / FORGET_ONE_EVERY_S)
