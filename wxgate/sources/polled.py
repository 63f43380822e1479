"""Files that change under one address: read through the cache, and asked for anew after a while."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

from wxgate.cache import Entry, Key
from wxgate.errors import CacheError, DataError
from wxgate.http import Body, Client, Expect
from wxgate.sources.base import Toolbox

T = TypeVar("T")


class Polled:
    """Reads files of one service, and keeps what a provenance tells of them.

    A copy in the cache answers while it is younger than ``poll``, and whenever the service does
    not. ``notes`` tells why a copy was used; ``contents`` and ``fetched`` are what was read, and
    ``answers`` what the service itself said to it.
    """

    def __init__(
        self, source: str, now: datetime, poll: timedelta, tools: Toolbox, client: Client
    ) -> None:
        self.contents: list[bytes] = []
        self.fetched: list[datetime] = []
        self.notes: list[str] = []
        self.answers: list[Body] = []
        self._source, self._now, self._poll = source, now, poll
        self._tools, self._client = tools, client

    def read(self, url: str, expect: Expect, parse: Callable[[bytes], T]) -> T:
        """What the file at ``url`` says to ``parse``, which raises DataError for another form.

        A ``file:`` address is read where it lies, without a copy and without a network. DataError
        when neither the service nor a copy answers.
        """
        local = url.startswith("file:")
        held = None if local else self._held(url, parse)
        if held is not None and timedelta(0) <= self._now - held[0].fetched < self._poll:
            return self._use(*held)
        try:
            if self._tools.offline and not local:
                raise DataError(
                    "it is not kept, and the network is not to be used",
                    where=url,
                    remedy="Run once without --offline.",
                )
            return self._ask(url, expect, parse, held, keep=not local)
        except DataError as error:
            if held is None:
                raise
            age = told_age(self._now - held[0].fetched)
            why = "no network is to be used" if self._tools.offline else error.what.rstrip(". ")
            self.notes.append(f"{why}; the copy fetched {age} ago is used")
            return self._use(*held)

    def _ask(
        self,
        url: str,
        expect: Expect,
        parse: Callable[[bytes], T],
        held: tuple[Entry, T] | None,
        *,
        keep: bool,
    ) -> T:
        known = None if held is None else held[0].validators
        body = self._client.get(url, expect=expect, validators=known)
        self.answers.append(body)
        if body.status == 304 and held is not None and known is not None:
            content, said, validators = held[0].content, held[1], known
        else:
            content, said, validators = body.content, parse(body.content), body.validators
        if keep and self._tools.cache is not None:
            try:
                self._tools.cache.put(
                    self._key(url), content, validators=validators, url=url, fetched=self._now
                )
            except CacheError as error:
                self.notes.append(
                    f"nothing is kept for the next time: {error.what}; see `wxgate cache`"
                )
        self.contents.append(content)
        self.fetched.append(self._now)
        return said

    def _held(self, url: str, parse: Callable[[bytes], T]) -> tuple[Entry, T] | None:
        """The copy in the cache with what it says; None when there is none that can be read."""
        if self._tools.cache is None:
            return None
        try:
            entry = self._tools.cache.get(self._key(url))
            return None if entry is None else (entry, parse(entry.content))
        except (CacheError, DataError):
            return None  # what cannot be written either is told there

    def _use(self, entry: Entry, said: T) -> T:
        self.contents.append(entry.content)
        self.fetched.append(entry.fetched)
        return said

    def _key(self, url: str) -> Key:
        return key_of(self._source, url)


def key_of(source: str, url: str) -> Key:
    """Under what the copy of a file is kept.

    The whole address is in the key: the file of another root is another file.
    """
    return Key(source, "latest", url.rsplit("/", 1)[-1], url)


def told_age(age: timedelta) -> str:
    """An age in words: minutes below two hours, then hours."""
    minutes = round(abs(age) / timedelta(minutes=1))
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.0f} h"
