"""How often one caller may ask: a bucket that fills steadily and holds a minute's worth."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from time import monotonic

MINUTE = 60.0
MOST_BUCKETS = 10_000


@dataclass
class _Bucket:
    left: float
    at: float


class RateLimit:
    """Counts requests by caller, in this process.

    Parameters
    ----------
    per_minute : int [requests per minute]
        What a caller may ask in the long run, and at once after a minute of silence.
    clock : callable
        Seconds, never going back.
    """

    def __init__(self, per_minute: int, *, clock: Callable[[], float] = monotonic) -> None:
        self._per_minute = per_minute
        self._clock = clock
        self._buckets: dict[str, _Bucket] = {}

    def seconds_to_wait(self, caller: str) -> int:
        """Count a request, unless it comes too early.

        Parameters
        ----------
        caller : str
            Who asks.

        Returns
        -------
        int [s]
            0 if it was counted; else how long to wait before asking again.
        """
        now = self._clock()
        bucket = self._buckets.setdefault(caller, _Bucket(float(self._per_minute), now))
        bucket.left = min(self._per_minute, bucket.left + (now - bucket.at) * self._per_minute / MINUTE)
        bucket.at = now
        if bucket.left < 1:
            return ceil((1 - bucket.left) * MINUTE / self._per_minute)
        bucket.left -= 1
        if len(self._buckets) > MOST_BUCKETS:
            self._forget_the_silent(now)
        return 0

    def _forget_the_silent(self, now: float) -> None:
        self._buckets = {caller: bucket for caller, bucket in self._buckets.items() if now - bucket.at < MINUTE}
