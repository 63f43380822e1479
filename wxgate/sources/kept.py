"""The cache as one source sees it: by run, step and message, and never a reason to fail."""

from __future__ import annotations

from datetime import datetime

from wxgate.cache import Cache, Entry, Key
from wxgate.errors import CacheError
from wxgate.http import Body


class Kept:
    """What is kept of one source; ``faults`` tells why nothing could be kept, where that is so."""

    def __init__(self, cache: Cache | None, source: str, now: datetime) -> None:
        self.faults: list[str] = []
        self._cache, self._source, self._now = cache, source, now

    def get(self, run: datetime | str, step: int, message: str) -> Entry | None:
        """The entry; None when there is none, or the cache cannot be read.

        What holds for many runs is kept under a name in place of the run.
        """
        if self._cache is None:
            return None
        try:
            return self._cache.get(self._key(run, step, message))
        except CacheError as error:
            self._note(error)
            return None

    def put(self, run: datetime | str, step: int, message: str, content: bytes, body: Body) -> None:
        """Keep content that came with ``body``."""
        if self._cache is None:
            return
        try:
            self._cache.put(
                self._key(run, step, message),
                content,
                validators=body.validators,
                url=body.url,
                fetched=self._now,
            )
        except CacheError as error:
            self._note(error)

    def _key(self, run: datetime | str, step: int, message: str) -> Key:
        name = run if isinstance(run, str) else f"{run:%Y%m%d%H}"
        return Key(self._source, name, step, message)

    def _note(self, error: CacheError) -> None:
        self.faults.append(f"nothing is kept for the next time: {error.what}; see `wxgate cache`")
        self._cache = None
