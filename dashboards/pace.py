"""How often somebody may come: one bucket of tokens for each, over a clock that is passed in."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass


@dataclass(slots=True)
class _Bucket:
    tokens: float
    at_s: float


class Pace:
    """Up to `burst` at once, then `per_s` a second, for each key.

    At most `most_keys` are remembered; the one not seen for longest is forgotten first, with what it had used up.
    """

    def __init__(self, per_s: float, burst: int, most_keys: int = 4096) -> None:
        self._per_s = per_s
        self._burst = float(burst)
        self._most_keys = most_keys
        self._buckets: OrderedDict[Hashable, _Bucket] = OrderedDict()

    def allows(self, key: Hashable, now_s: float) -> bool:
        """Whether one more may pass now; it counts when it may."""
        bucket = self._buckets.get(key)
        if bucket is None:
            bucket = self._buckets[key] = _Bucket(self._burst, now_s)
            if len(self._buckets) > self._most_keys:
                self._buckets.popitem(last=False)
        self._buckets.move_to_end(key)
        elapsed_s = max(0.0, now_s - bucket.at_s)
        bucket.tokens = min(self._burst, bucket.tokens + elapsed_s * self._per_s)
        bucket.at_s = now_s
        if bucket.tokens < 1.0:
            return False
        bucket.tokens -= 1.0
        return True
