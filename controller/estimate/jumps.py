"""What to make of a level that is not where it was expected: water that moved, or something else that echoes.

A new level is only a candidate. Water gets there at the rate of a hose, the rain or the pump, so the time between the
last level believed and the first sight of the candidate bounds how far off it may be. One that is further off and
farther from the ranger is believed when it stays (a bucket, a burst pipe). One that is nearer is first taken for a
false echo, from a ladder or the wall: water that rises that much is seen on its way, unless nobody listened.
"""

from __future__ import annotations

from typing import Any, Literal

_MS_PER_MIN = 60_000.0
CONFIRMING_BURSTS = 2
"""A level that water can have reached needs to be seen twice."""
WATCHED_MIN = 5.0
"""Longer than this without a believed level, or without any burst, nobody has watched what happened."""
PERSISTENT_BURSTS = 5
PERSISTENT_MS = 60_000
UNMETERED_FALL_MS = 10_000
"""While a pump without a meter runs, nothing but a fallen level tells of an empty tank (own choice)."""
UNWATCHED_MS = 10 * 60_000
"""A ladder may echo for minutes; after a gap a nearer level must stay longer than that."""
NEARER_MS = 90 * 60_000
"""How long a nearer level must stay that water cannot have reached (own choice)."""
SAME_MM = 10.0
RISES_MM = 15.0
"""What rises so far, no faster than water, is water: a rung stands still, and ten kelvins shift it by as much at most
(own choice)."""
RISES_AT_ONCE_MM = 8.0
"""From one burst to the next, minutes later: a place that has not answered beside the surface does not move so far
(own choice)."""
FALSE_ECHOES = 6
FALSE_SPAN_MS = 30 * 60_000
"""A nearer echo seen this often over this long, while the surface was seen too, is a thing in the tank."""
FALSE_REACH_MM = 12.0
FALSE_RECENT_MS = 3_600_000
"""A rung that has answered once beside the surface may soon answer alone (own choice)."""
FALSE_FORGOTTEN_MS = 24 * 3_600_000

Verdict = Literal["reached", "jumped", "stayed", "doubt", "false echo"]
"""Water can have got there; it fell, or nobody listened; it is nearer, and only that it stays speaks for it; not known
yet; something nearer than the surface."""


_STATE = ("after_silence", "allowed_mm", "bursts", "count", "first_mm", "first_ms", "last_mm", "last_ms")


class Candidate:
    """Another level than the one believed, and since when it is seen. Times in ms, levels in mm above the floor."""

    __slots__ = _STATE

    def __init__(self) -> None:
        self.drop()

    def drop(self) -> None:
        self.count = self.bursts = 0
        self.after_silence = False
        self.first_mm = self.last_mm = self.allowed_mm = 0.0
        self.first_ms = self.last_ms = 0

    def see(
        self, seen_mm: float, now_ms: int, silent_ms: int, rise_mm_min: float, fall_mm_min: float, allowed_mm: float
    ) -> None:
        """Go on with the candidate, or begin a new one if water could not have gone from the last sight to this.

        `silent_ms` is how long before this burst there was none at all; `allowed_mm` by how much the level believed may
        be off by now, with the rain since. That counts as it was at the first sight: rain cannot explain what was there
        before it.
        """
        minutes = (now_ms - self.last_ms) / _MS_PER_MIN
        change_mm = seen_mm - self.last_mm
        if not self.count or not -fall_mm_min * minutes - SAME_MM <= change_mm <= rise_mm_min * minutes + SAME_MM:
            self.count = self.bursts = 0
            self.allowed_mm = allowed_mm
            self.first_mm, self.first_ms = seen_mm, now_ms
            self.after_silence = silent_ms > WATCHED_MIN * _MS_PER_MIN
        self.count += 1
        self.bursts += 1
        self.last_mm, self.last_ms = seen_mm, now_ms

    def miss(self) -> None:
        """A burst showed nothing that agrees."""
        self.bursts += 1

    def lower(self, fallen_mm: float) -> None:
        """Let the candidate fall with what was metered out, as water would."""
        self.first_mm -= fallen_mm
        self.last_mm -= fallen_mm

    def judge(
        self,
        believed_mm: float,
        believed_ms: int,
        now_ms: int,
        rise_mm_min: float,
        fall_mm_min: float,
        *,
        rare: bool = False,
        was_false: bool = False,
        unmetered: bool = False,
    ) -> Verdict:
        """Is the candidate to be believed instead of the level believed last?

        `unmetered`: a pump without a meter runs.
        `rare`: it is nearer, and bursts are so far apart that nobody sees water on its way. Then that water can have
        got there is not enough: it must rise, or stay for longer than a rung answers.
        `was_false`: so it is, and something echoed from its place of late while the surface was heard below. Then it
        must stay as long as a level must that water cannot have reached.
        """
        doubted = rare or was_false
        if 2 * self.count <= self.bursts:
            # Most bursts since the first sight showed something else, or nothing.
            return "doubt"
        minutes = max(self.first_ms - believed_ms, 0) / _MS_PER_MIN
        watched_min = min(minutes, WATCHED_MIN)
        change_mm = self.first_mm - believed_mm
        lasted_ms = now_ms - self.first_ms
        enough = self.count >= PERSISTENT_BURSTS
        has_risen = enough and self.last_mm - self.first_mm >= RISES_MM
        most_mm = rise_mm_min * watched_min + self.allowed_mm
        if not doubted and -fall_mm_min * watched_min - self.allowed_mm <= change_mm <= most_mm:
            return "reached" if self.count >= CONFIRMING_BURSTS else "doubt"
        if 0.0 < change_mm <= rise_mm_min * minutes + self.allowed_mm:
            needed_ms = NEARER_MS if was_false else PERSISTENT_MS if self.after_silence else UNWATCHED_MS
            if enough and lasted_ms >= needed_ms:
                return "jumped"
            is_on_its_way = has_risen or (not was_false and self._rises_at_once())
            return "reached" if doubted and is_on_its_way else "doubt"
        if change_mm > 0.0 and has_risen:
            # Waves where water runs in lifted the first sight above what a few seconds of a hose can bring.
            return "reached"
        if not enough or lasted_ms < (UNMETERED_FALL_MS if unmetered and change_mm < 0.0 else PERSISTENT_MS):
            return "doubt"
        if change_mm <= SAME_MM:
            # It fell, or it is so near that a thing in the tank there could not be told from the surface in waves.
            return "jumped"
        return "stayed" if lasted_ms >= NEARER_MS else "false echo"

    def _rises_at_once(self) -> bool:
        """Whether it is higher already than at its first sight, as water that a hose brings."""
        return self.count >= CONFIRMING_BURSTS and self.last_mm - self.first_mm >= RISES_AT_ONCE_MM

    def dump(self) -> list[Any]:
        return [getattr(self, name) for name in _STATE]

    def load(self, data: list[Any]) -> None:
        for name, value in zip(_STATE, data, strict=True):
            setattr(self, name, value)


class FalseEcho:
    """The distance at which something nearer than the surface echoes now and then."""

    __slots__ = ("beside_mm", "beside_ms", "count", "distance_mm", "first_ms", "last_ms")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        self.count = 0
        self.distance_mm = 0.0
        self.first_ms = self.last_ms = 0
        self.beside_mm: float | None = None
        """Where something echoed last while the surface was heard in the same burst."""
        self.beside_ms = 0

    def see_beside(self, distance_mm: float, now_ms: int) -> None:
        """Note an echo that was nearer than the surface in a burst that showed the surface too: it is no water."""
        self.beside_mm, self.beside_ms = distance_mm, now_ms
        self.see(distance_mm, now_ms)

    def see(self, distance_mm: float, now_ms: int) -> None:
        """Note an echo that was nearer than the surface."""
        if self.count and now_ms - self.last_ms > FALSE_FORGOTTEN_MS:
            self.count = 0
        if self.count and abs(distance_mm - self.distance_mm) <= FALSE_REACH_MM:
            self.count += 1
            self.distance_mm += (distance_mm - self.distance_mm) / min(self.count, 20)
            self.last_ms = now_ms
        elif self.count > 1:
            # A stray elsewhere: one of them says nothing, many wear the old one out.
            self.count -= 1
        else:
            self.count, self.distance_mm, self.first_ms, self.last_ms = 1, distance_mm, now_ms, now_ms

    def found(self, distance_mm: float, now_ms: int) -> None:
        """Something is known to echo from there."""
        self.count, self.distance_mm = FALSE_ECHOES, distance_mm
        self.first_ms, self.last_ms = now_ms - FALSE_SPAN_MS, now_ms
        self.beside_mm, self.beside_ms = distance_mm, now_ms

    def is_from(self, distance_mm: float, now_ms: int) -> bool:
        """Whether something that is no water echoed from there of late, even once."""
        if self.beside_mm is None or now_ms - self.beside_ms > FALSE_RECENT_MS:
            return False
        return abs(distance_mm - self.beside_mm) <= FALSE_REACH_MM

    def found_mm(self, now_ms: int) -> float | None:
        """The distance of a thing that has echoed again and again, None without one."""
        if self.count < FALSE_ECHOES or self.last_ms - self.first_ms < FALSE_SPAN_MS:
            return None
        return self.distance_mm if now_ms - self.last_ms <= FALSE_FORGOTTEN_MS else None

    def dump(self) -> list[Any]:
        return [self.count, self.distance_mm, self.first_ms, self.last_ms, self.beside_mm, self.beside_ms]

    def load(self, data: list[Any]) -> None:
        self.count, self.distance_mm, self.first_ms, self.last_ms, *beside = data
        self.beside_mm, self.beside_ms = beside or (None, 0)
