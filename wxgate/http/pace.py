"""When the next request may start, and how often a failed one is sent again."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable

from wxgate.http.errors import FetchError, Throttled
from wxgate.http.records import Body

LONGEST_WAIT_S = 120.0  #: a service that asks for a longer wait is given up for now


class Deadline:
    """When one request with all its repeats and waits must be over, on a monotonic clock."""

    def __init__(self, total_s: float, clock: Callable[[], float]) -> None:
        self.total_s = total_s
        self.at = clock() + total_s
        self._clock = clock

    def left(self) -> float:
        """The seconds until then; negative afterwards."""
        return self.at - self._clock()


class Pace:
    """The turns of one service's requests; all threads share them."""

    def __init__(
        self,
        *,
        min_interval_s: float,
        tries: int,
        sleep: Callable[[float], object],
        clock: Callable[[], float],
        jitter: random.Random,
    ) -> None:
        self._min_interval_s, self._tries = min_interval_s, tries
        self._sleep, self._clock, self._jitter = sleep, clock, jitter
        self._lock = threading.Lock()
        self._next_turn = float("-inf")

    def repeat(self, once: Callable[[], Body], url: str, deadline: Deadline) -> Body:
        """What ``once`` gives, called in turn and again as often as its error is worth."""
        attempt = 0
        while True:
            attempt += 1
            self._take_turn(url, deadline)
            try:
                return once()
            except FetchError as error:
                if attempt >= min(self._tries, error.worth_tries):
                    raise
                wait = self._backoff(attempt) if error.wait_s is None else error.wait_s
                if wait > LONGEST_WAIT_S or wait > deadline.left():
                    raise
                if isinstance(error, Throttled):
                    self._hold(wait)
                else:
                    self._sleep(wait)

    def _backoff(self, attempt: int) -> float:
        """2, 4, 8, 16, 32 s give or take 30 %, so that many clients do not return as one."""
        return float(2 ** min(attempt, 5)) * self._jitter.uniform(0.7, 1.3)

    def _hold(self, wait: float) -> None:
        """Keep every thread from this service for a while: a throttle is meant for all of them."""
        with self._lock:
            self._next_turn = max(self._next_turn, self._clock() + wait)

    def _take_turn(self, url: str, deadline: Deadline) -> None:
        with self._lock:
            now = self._clock()
            turn = max(now, self._next_turn)
            if turn > deadline.at:
                raise Throttled("its turn would come too late", url)
            self._next_turn = turn + self._min_interval_s
        if turn > now:
            self._sleep(turn - now)
