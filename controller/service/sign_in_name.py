"""Decides by which name to sign in at the broker: our own, or another while somebody else goes by it too.

A broker throws a client out as soon as another signs in by the same name. Two that both come back throw each other out
for ever. So after a few times we take another name: nothing is lost by that, because the broker keeps no session for us
and the outbox repeats what was not acknowledged. Later the own name is tried again.

A broker that speaks MQTT 5 says why it ends a connection. One that speaks 3.1.1 only ends it, as a bad cable does. Then
the other name is the proof: if the connection stands by it, it was the name; if not, it was not.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Literal

from controller.guard.catalogue import CATALOGUE

End = Literal["not let in", "taken over", "cut", "other"]
"""How a connection ended: never begun; told that another goes by our name; without a word; for a reason of its own."""

OFTEN, OFTEN_WITHIN_S = 3, 60.0
SLOWLY, SLOWLY_WITHIN_S = 12, 3600.0
"""More takeovers than these make us go aside; the slow kind only counts what the broker has said to be one."""
STANDS_S = 60.0
"""A connection that lasts so long is let alone."""
QUIET_S = 3600.0


class SignInName:
    """Told how connections end, says the name for the next one. Seconds are of any clock that only goes forward."""

    def __init__(self, own: str, new_suffix: Callable[[], str]) -> None:
        self.name = own
        self.taken = False
        """Whether somebody else is known to go by our own name."""
        self._own = own
        self._new_suffix = new_suffix
        self._ends: deque[tuple[float, End]] = deque()
        self._let_in_s = 0.0
        self._went_aside_s = 0.0
        self._doubt_cuts_from_s = 0.0

    @property
    def aside(self) -> bool:
        """Whether we go by another name."""
        return self.name != self._own

    @property
    def trouble(self) -> str | None:
        """What to tell people; None while nobody is known to go by our name."""
        return CATALOGUE["broker-name-taken"].text.format(name=self._own) if self.taken else None

    def let_in(self, now_s: float) -> None:
        """A connection has begun."""
        self._let_in_s = now_s

    def stays(self, now_s: float) -> bool:
        """To be asked again and again while connected. False when it is time to sign in anew, by the own name."""
        stands = now_s - self._let_in_s >= STANDS_S
        if self.aside:
            if stands and not self.taken:
                self.taken = True
            if self.taken and now_s - self._went_aside_s >= QUIET_S:
                self.name = self._own
                return False
        elif stands and self.taken:
            self.taken = False
        return True

    def ended(self, now_s: float, end: End) -> None:
        """A connection has ended, or could not be made."""
        if self.aside:
            if not self.taken and end != "other":
                # By the other name it fares no better, so the name is not what is wrong.
                self.name = self._own
                self._doubt_cuts_from_s = now_s + QUIET_S
        elif end == "not let in":
            # A broker that is away, or a network: the cuts before were of that kind.
            self._ends = deque(one for one in self._ends if one[1] != "cut")
        elif end == "taken over" or (end == "cut" and now_s >= self._doubt_cuts_from_s):
            self._ends.append((now_s, end))
            if self.taken or self._often(now_s):
                self._go_aside(now_s)

    def _often(self, now_s: float) -> bool:
        while now_s - self._ends[0][0] > SLOWLY_WITHIN_S:
            self._ends.popleft()
        lately = sum(now_s - when_s <= OFTEN_WITHIN_S for when_s, _ in self._ends)
        said = sum(end == "taken over" for _, end in self._ends)
        return lately > OFTEN or said > SLOWLY

    def _go_aside(self, now_s: float) -> None:
        self.name = f"{self._own}-{self._new_suffix()}"
        self.taken = self.taken or any(end == "taken over" for _, end in self._ends)
        self._went_aside_s = now_s
        self._ends.clear()
