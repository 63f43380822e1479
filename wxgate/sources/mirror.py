"""A mirror of whole files with sidecars: the messages that are wanted, by byte ranges.

A sidecar and its file can belong to two uploads. So each message is checked after it was read
against the line that led to it; when they differ both are fetched once more, and then the mirror
is held to be without this step.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from wxgate.cache import Entry
from wxgate.errors import DataError
from wxgate.grib import Message, read_messages
from wxgate.http import Body, Client, FetchError, RangeBeyondEnd, Request
from wxgate.sources import endpoints
from wxgate.sources.dialect import Dialect
from wxgate.sources.domain import read_shape
from wxgate.sources.kept import Kept
from wxgate.sources.place import NOT_KEPT, Answer, check_settled, fill_run, host_of, unpacks
from wxgate.sources.sidecar import Line, Lines, StaleSidecarError, merge, split_span
from wxgate.sources.sizes import Outstanding, Sizes, distinct
from wxgate.sources.wanted import Wanted

_SIDECARS_AT_ONCE = 8
#: A span of wanted messages; the whole block of heights of the GFS has 16 million bytes.
_MOST_SPAN_BYTES = 200_000_000
#: The index of a whole ensemble has two million.
_MOST_SIDECAR_BYTES = 16_000_000


@dataclass(frozen=True, slots=True)
class Sidecar:
    """A sidecar that was read, and the address of the file that it belongs to."""

    lines: Lines
    version: str  #: tells this upload from another
    url: str


class Mirror:
    """One mirror. ``now`` is the moment against which fresh uploads are told."""

    def __init__(
        self, name: str, entry: endpoints.Entry, model: endpoints.Entry, client: Client, kept: Kept,
        *, now: datetime, offline: bool, dialect: Dialect,
    ) -> None:  # fmt: skip
        self.name = name
        self._dialect = dialect
        self._read: dict[tuple[datetime, int], Sidecar] = {}
        self._entry, self._client, self._offline, self._now = entry, client, offline, now
        self._root = entry.text("root").rstrip("/")
        self._local = self._root.startswith("file:")
        # Files of this computer need no second copy in the cache.
        self._kept = Kept(None, name, now) if self._local else kept
        self._costly = entry.flag("costly")
        self._files = model.texts("files")
        self._gap = model.whole("merge_gap_bytes")
        self._settle_s = model.entry("runs").number("settle_s")
        self._shape = read_shape(model)

    @property
    def host(self) -> str:
        """See :class:`wxgate.sources.place.Place`; a folder stands for itself."""
        return host_of(self._root) or self._root

    def takes(self, wanted: Wanted) -> bool:
        """Whole messages are fetched, so what is costly only where the endpoints say so."""
        return self._costly or not wanted.costly

    def fetch(
        self, run: datetime, steps: Sequence[int], wanted: Sequence[Wanted]
    ) -> Iterator[tuple[int, Answer]]:
        """See :class:`wxgate.sources.place.Place`."""
        waiting = iter(steps)
        while batch := list(islice(waiting, _SIDECARS_AT_ONCE)):
            sidecars = self._sidecars(run, batch)
            for step in batch:
                asked = [w for w in wanted if self.takes(w) and w.exists_at(step)]
                yield step, self._step(run, step, asked, sidecars[step])

    def request_of(self, run: datetime, step: int) -> Request:
        """The request for the sidecar of a step, to see whether the mirror answers."""
        return Request(self._dialect.url(self._url(self._files[0], run, step)), expect="text")

    def sidecar(self, run: datetime, step: int) -> Sidecar:
        """The sidecar of a step; DataError when it is not had or cannot be read."""
        found = self._sidecars(run, [step])[step]
        if isinstance(found, DataError):
            raise found
        return found

    def unlisted(self, sidecar: Sidecar, step: int, wanted: Sequence[Wanted]) -> list[Wanted]:
        """What of the wanted a step should have and its sidecar does not list."""
        asked = [w for w in wanted if w.exists_at(step) and not w.optional]
        return [w for w in asked if self._dialect.find(sidecar.lines, w, step) is None]

    def outstanding(
        self, run: datetime, step: int, wanted: Sequence[Wanted], sizes: Sizes
    ) -> Outstanding:
        """What a step would still take, without asking: exact where its sidecar is kept."""
        asked = [w for w in wanted if self.takes(w) and w.exists_at(step)]
        if self._local or not asked:
            return Outstanding()
        for template in self._files:
            url = self._url(template, run, step)
            kept = self._kept.get(run, step, _label(url))
            if kept is None:
                continue
            with suppress(DataError):
                sidecar = self._parse(kept.content, url, run)
                return self._left_of(run, step, asked, sidecar, sizes)
        found = distinct(asked)
        size = sizes.sidecar + sum(sizes.message(w) for w in found)
        return Outstanding(1 + len(found), size, exact=False)

    def _left_of(
        self, run: datetime, step: int, wanted: Sequence[Wanted], sidecar: Sidecar, sizes: Sizes
    ) -> Outstanding:
        picked = {w: line for w in wanted if (line := self._dialect.find(sidecar.lines, w, step))}
        lines = {line.start: line for line in picked.values()}
        entries = {
            start: self._kept.get(run, step, f"{line.label}@{sidecar.version}")
            for start, line in lines.items()
        }
        spans = merge([line for start, line in lines.items() if entries[start] is None], self._gap)
        # The last message of a file has no successor to tell its length.
        about = {line.start: sizes.message(w) for w, line in picked.items() if line.end is None}
        size = sum(
            (max(about) + about[max(about)] - 1 if span.end is None else span.end) - span.start + 1
            for span in spans
        )
        kept = sum(len(entry.content) for entry in entries.values() if entry is not None)
        exact = all(span.end is not None for span in spans)
        return Outstanding(1 + len(spans), size, kept, exact=exact)  # 1: is the sidecar unchanged?

    def _step(
        self, run: datetime, step: int, wanted: Sequence[Wanted], sidecar: Sidecar | DataError
    ) -> Answer:
        try:
            if isinstance(sidecar, DataError):
                raise sidecar
            return self._messages(run, step, wanted, sidecar)
        except StaleSidecarError as stale:
            if self._offline:
                return stale
        except DataError as error:
            return error
        try:
            again = self._sidecars(run, [step], fresh=True)[step]
            if isinstance(again, DataError):
                raise again
            return self._messages(run, step, wanted, again)
        except DataError as error:
            return error

    # ----- sidecars

    def _sidecars(
        self, run: datetime, steps: Sequence[int], *, fresh: bool = False
    ) -> Mapping[int, Sidecar | DataError]:
        """The sidecar of each step, under the first file name that has one."""
        found: dict[int, Sidecar | DataError] = {
            s: self._read[run, s] for s in steps if (run, s) in self._read and not fresh
        }
        for template in self._files:
            without = [s for s in steps if not isinstance(found.get(s), Sidecar)]
            urls = {s: self._url(template, run, s) for s in without}
            kept = {s: None if fresh else self._kept.get(run, s, _label(urls[s])) for s in urls}
            bodies = self._ask_for_sidecars(urls, kept)
            for step in without:
                try:
                    read = self._sidecar(run, step, urls[step], kept[step], bodies[step])
                    found[step] = self._read[run, step] = read
                except DataError as error:
                    found[step] = error
        return found

    def _ask_for_sidecars(
        self, urls: Mapping[int, str], kept: Mapping[int, Entry | None]
    ) -> dict[int, Body | FetchError | None]:
        if self._offline and not self._local:
            return dict.fromkeys(urls)
        asked = [
            Request(
                self._dialect.url(url),
                expect="text",
                max_bytes=_MOST_SIDECAR_BYTES,
                validators=None if entry is None else entry.validators,
            )
            for url, entry in ((url, kept[step]) for step, url in urls.items())
        ]
        return dict(zip(urls, self._client.get_many(asked), strict=True))

    def _sidecar(
        self, run: datetime, step: int, url: str, kept: Entry | None, body: Body | FetchError | None
    ) -> Sidecar:
        """The sidecar that came, or the kept one where it is unchanged (or we are offline)."""
        if body is None or (isinstance(body, Body) and body.status == 304):
            if kept is None:
                raise DataError("it is not kept", where=url, remedy=NOT_KEPT)
            return self._parse(kept.content, url, run)
        if not isinstance(body, Body):
            raise body
        self._check_settled(body)
        sidecar = self._parse(body.content, url, run)
        self._kept.put(run, step, _label(url), body.content, body)
        return sidecar

    def _parse(self, content: bytes, url: str, run: datetime) -> Sidecar:
        lines = self._dialect.parse(content.decode("ascii", "replace"), url)
        if any(line.run != run for line in lines):
            raise StaleSidecarError("the sidecar is of another run", where=url)
        return Sidecar(lines, hashlib.sha256(content).hexdigest()[:12], url)

    def _check_settled(self, body: Body) -> None:
        if not self._local:
            check_settled(body, self._now, self._settle_s)

    def _url(self, template: str, run: datetime, step: int) -> str:
        name = fill_run(template, self._entry, run, step, **self._dialect.parts(run))
        return f"{self._root}/{name}"

    # ----- messages

    def _messages(
        self, run: datetime, step: int, wanted: Sequence[Wanted], sidecar: Sidecar
    ) -> list[Message]:
        """The messages of a step that are wanted and that the sidecar lists."""
        picked = {w: line for w in wanted if (line := self._dialect.find(sidecar.lines, w, step))}
        if not picked:
            raise DataError("nothing that is wanted is in the file", where=sidecar.url)
        lines = {line.start: line for line in picked.values()}
        labels = {start: f"{line.label}@{sidecar.version}" for start, line in lines.items()}
        entries = {start: self._kept.get(run, step, label) for start, label in labels.items()}
        contents = {start: entry.content for start, entry in entries.items() if entry}
        absent = [line for start, line in lines.items() if start not in contents]
        if absent and self._offline and not self._local:
            raise DataError("it is not kept", where=sidecar.url, remedy=NOT_KEPT)
        fetched = self._ranges(sidecar, absent)
        contents |= {start: content for start, (content, _) in fetched.items()}
        by_start = {start: _read(content, sidecar.url) for start, content in contents.items()}
        for w, line in picked.items():
            self._check(by_start[line.start], w, line, run, step, sidecar.url)
        # Only what proved to be what it should is kept, else the next time would begin with it.
        for start, (content, body) in fetched.items():
            self._kept.put(run, step, labels[start], content, body)
        return [message for start in sorted(by_start) for message in by_start[start]]

    def _ranges(self, sidecar: Sidecar, lines: Sequence[Line]) -> dict[int, tuple[bytes, Body]]:
        """The bytes of each line's message, and the body they came with, by its first byte."""
        spans = merge(lines, self._gap)
        bodies = self._client.get_many(
            Request(sidecar.url, byte_range=(span.start, span.end), max_bytes=_MOST_SPAN_BYTES)
            for span in spans
        )
        fetched: dict[int, tuple[bytes, Body]] = {}
        for span, body in zip(spans, bodies, strict=True):
            if isinstance(body, RangeBeyondEnd):
                raise StaleSidecarError(
                    "the file is shorter than the sidecar says", where=sidecar.url
                )
            if not isinstance(body, Body):
                raise body
            self._check_settled(body)
            for line, content in split_span(span, body.content, sidecar.url):
                fetched[line.start] = content, body
        return fetched

    def _check(
        self, messages: Sequence[Message], wanted: Wanted, line: Line, run: datetime, step: int,
        where: str,
    ) -> None:  # fmt: skip
        """StaleSidecarError unless a message is what the line says and can be unpacked."""
        matching = [m for m in messages if m.run == run and wanted.matches(m, step)]
        if not matching:
            raise StaleSidecarError(f"where {line.label} should be is another", where=where)
        shape = matching[0].grid.shape
        if self._shape is not None and shape != self._shape:
            told = " x ".join(map(str, shape))
            raise StaleSidecarError(f"{line.label} has {told} points", where=where)
        if not unpacks(matching[0]):
            raise StaleSidecarError(f"the values of {line.label} cannot be unpacked", where=where)


def _label(url: str) -> str:
    return f"sidecar:{url}"


def _read(content: bytes, where: str) -> list[Message]:
    try:
        return read_messages(content)
    except DataError as error:
        raise StaleSidecarError(error.what, where=where) from error
