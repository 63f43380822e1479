"""DWD's tree of ICON files: one parameter, level and step a file, one message in each.

There is no sidecar, so a file is what it is asked for by its name; its message is checked all the
same. Fields stand on the model's own triangles and hold no coordinates.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from urllib.parse import urlsplit

from wxgate.errors import DataError
from wxgate.grib import Message, read_messages
from wxgate.grid import PointsGrid, UnlocatedGrid
from wxgate.http import Body, Client, FetchError, NotThere, Request, WrongContent
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.kept import Kept
from wxgate.sources.place import Answer, check_settled, gone, unpacks
from wxgate.sources.sizes import Outstanding, Sizes
from wxgate.sources.wanted import Wanted

MODEL_LEVEL = 150  #: type of the surface "generalized vertical height", the levels of ICON

_RUN = re.compile(r"(\d{4})-(\d\d)-(\d\d)T(\d\d)(?::|%3[Aa])00", re.ASCII)


class IconFiles:
    """The tree of one model on one server. ``now`` is what fresh uploads are told against.

    ``grids`` has the places of the points of each grid that is known; a message on another one
    stays without.
    """

    def __init__(
        self, name: str, entry: Entry, model: Entry, client: Client, kept: Kept,
        *, now: datetime, offline: bool, grids: Mapping[UnlocatedGrid, PointsGrid],
    ) -> None:  # fmt: skip
        self.name = name
        self._model, self._client, self._now, self._grids = model, client, now, grids
        self._root = entry.text("root").rstrip("/")
        self._local = self._root.startswith("file:")
        self._offline = offline and not self._local
        self._costly = entry.flag("costly")
        # Files of this computer need no second copy in the cache.
        self.kept = Kept(None, name, now) if self._local else kept
        self._settle_s = model.entry("runs").number("settle_s")
        self._listed: dict[str, frozenset[datetime] | None] = {}
        self._absent: set[tuple[datetime, str]] = set()

    @property
    def host(self) -> str:
        """See :class:`wxgate.sources.place.Place`; a folder stands for itself."""
        return urlsplit(self._root).netloc or self._root

    def takes(self, wanted: Wanted) -> bool:
        """Whole files are fetched, so what is costly only where the endpoints say so."""
        return self._costly or not wanted.costly

    def runs(self, parameter: str) -> frozenset[datetime] | None:
        """The runs that the listing of a parameter tells; None where it tells none."""
        if parameter not in self._listed:
            self._listed[parameter] = None if self._offline else self._list(parameter)
        return self._listed[parameter]

    def fetch(
        self, run: datetime, steps: Sequence[int], wanted: Sequence[Wanted]
    ) -> Iterator[tuple[int, Answer]]:
        """See :class:`wxgate.sources.place.Place`."""
        for step in steps:
            asked = [w for w in wanted if self.takes(w) and w.exists_at(step)]
            yield step, self._step(run, step, asked)

    @property
    def is_local(self) -> bool:
        """Whether it is a folder of this computer, which costs nothing."""
        return self._local

    def request_of(self, run: datetime, step: int) -> Request:
        """The request for the listing of the runs, to see whether the server answers."""
        listed = self._model.text("listed")
        path = fill(self._model.text("listing"), self._model, param=listed)
        return Request(f"{self._root}/{path}")

    def outstanding(
        self, run: datetime, step: int, wanted: Sequence[Wanted], sizes: Sizes
    ) -> Outstanding:
        """What a step would still take, told without asking."""
        if self._local:
            return Outstanding()
        rows = {
            self._url(w.element, _level(w), run, step): w
            for w in wanted if self.takes(w) and w.exists_at(step)
        }  # fmt: skip
        kept = {url: self.kept.get(run, step, url) for url in rows}
        absent = [w for url, w in rows.items() if kept[url] is None]
        size = sum(sizes.message(w) for w in absent)
        held = sum(len(entry.content) for entry in kept.values() if entry is not None)
        return Outstanding(len(absent), size, held, exact=not absent)

    def read(
        self, parameter: str, level: str, runs: Iterable[datetime],
        grid: UnlocatedGrid | None = None,
    ) -> Message:  # fmt: skip
        """The message of what does not change with time: step 0 of the first run that has it.

        With ``grid`` the one on that grid, which is kept for all its runs; a copy or a file of
        another grid, or with another number of cells, is passed over. DataError when none is.
        """
        fault = DataError("it is not there", where=f"{self.name} {parameter}")
        for run in runs:
            try:
                return self._read(parameter, level, run, grid)
            except DataError as error:
                fault = error
                if gone(error):
                    break
        raise fault

    def _read(
        self, parameter: str, level: str, run: datetime, grid: UnlocatedGrid | None
    ) -> Message:
        label = f"{parameter}:{level}"
        kept_as = run if grid is None else f"grid-{grid.number}-{grid.identity}"
        entry = self.kept.get(kept_as, 0, label)
        if entry is not None:
            message = _one(entry.content, entry.url)
            if grid in (None, message.grid):
                return message
        if self._offline:
            raise DataError("it is not kept", where=label)
        url = self._url(parameter, level, run, 0)
        body = self._client.get(url, expect="grib")
        self._check_settled(body)
        message = _one(body.content, url)
        if grid not in (None, message.grid):
            raise WrongContent("it is on another grid than the rest of the run", url)
        if not unpacks(message):
            raise WrongContent("its values cannot be unpacked", url)
        self.kept.put(kept_as, 0, label, body.content, body)
        return message

    # ----- one step

    def _step(self, run: datetime, step: int, wanted: Sequence[Wanted]) -> Answer:
        rows: dict[str, list[Wanted]] = {}
        for w in wanted:
            url = self._url(w.element, _level(w), run, step)
            if (run, w.element) not in self._absent:
                rows.setdefault(url, []).append(w)
        contents, faults = self._contents(run, step, rows)
        messages: list[Message] = []
        for url, content in contents.items():
            try:
                messages.append(self._located(_one(content, url)))
            except DataError as error:
                faults.append(error)
        # A server that fails for one file still serves the others.
        blocked = [f for f in faults if isinstance(f, FetchError) and f.concerns_all]
        if blocked or not messages:
            return (blocked or faults or [DataError("nothing is asked for", where=self.name)])[0]
        return messages

    def _contents(
        self, run: datetime, step: int, rows: Mapping[str, Sequence[Wanted]]
    ) -> tuple[dict[str, bytes], list[DataError]]:
        """The files of a step that were had, and why others were not."""
        contents: dict[str, bytes] = {}
        for url in rows:
            entry = self.kept.get(run, step, url)
            if entry is not None:
                contents[url] = entry.content
        absent = [url for url in rows if url not in contents]
        if self._offline:
            return contents, [DataError("it is not kept", where=url) for url in absent]
        faults: list[DataError] = []
        bodies = self._client.get_many(Request(url, expect="grib") for url in absent)
        for url, body in zip(absent, bodies, strict=True):
            try:
                contents[url] = self._checked(run, step, rows[url], body)
            except DataError as error:
                faults.append(error)
                if isinstance(error, NotThere) and all(w.optional for w in rows[url]):
                    self._absent.add((run, rows[url][0].element))
                continue
            if isinstance(body, Body):
                self.kept.put(run, step, url, body.content, body)
        return contents, faults

    def _checked(
        self, run: datetime, step: int, wanted: Sequence[Wanted], body: Body | FetchError
    ) -> bytes:
        """The content of a file that is what its name says."""
        if not isinstance(body, Body):
            raise body
        self._check_settled(body)
        message = _one(body.content, body.url)
        if message.run != run or not any(w.matches(message, step) for w in wanted):
            raise WrongContent("the file holds something else than its name says", body.url)
        if not unpacks(message):
            raise WrongContent("its values cannot be unpacked", body.url)
        return body.content

    def _located(self, message: Message) -> Message:
        """The message with the places of its points, where its grid is known."""
        grid = message.grid
        found = self._grids.get(grid) if isinstance(grid, UnlocatedGrid) else None
        return message if found is None else replace(message, grid=found)

    def _check_settled(self, body: Body) -> None:
        if not self._local:
            check_settled(body, self._now, self._settle_s)

    # ----- addresses

    def _list(self, parameter: str) -> frozenset[datetime] | None:
        """Plain HTML with a link for each run; anything else tells nothing."""
        url = f"{self._root}/{fill(self._model.text('listing'), self._model, param=parameter)}"
        try:
            page = self._client.get(url).content.decode("ascii", "replace")
        except DataError:
            return None
        found = set()
        for match in _RUN.finditer(page):
            year, month, day, hour = (int(part) for part in match.groups())
            try:
                found.add(datetime(year, month, day, hour, tzinfo=UTC))
            except ValueError:
                continue
        return frozenset(found) or None

    @property
    def client(self) -> Client:
        """What the files are asked for with."""
        return self._client

    def address(self, parameter: str, run: datetime, step: int, level: str = "") -> str:
        """Where the file of a parameter is, on a model level where one is named."""
        return self._url(parameter, level, run, step)

    def _url(self, parameter: str, level: str, run: datetime, step: int) -> str:
        template = self._model.text("level_file" if level else "file")
        path = fill(
            template, self._model, param=parameter, type=str(MODEL_LEVEL), level=level,
            run=f"{run:%Y-%m-%dT%H}%3A00", lead=f"PT{step:03d}H00M",
        )  # fmt: skip
        return f"{self._root}/{path}"


def _level(wanted: Wanted) -> str:
    """The number of a model level; nothing for what has none in its address."""
    on_level = MODEL_LEVEL in wanted.surface_types and wanted.surface_value is not None
    return f"{wanted.surface_value:.0f}" if on_level else ""


def _one(content: bytes, where: str) -> Message:
    """The message of a file; DataError unless there is one."""
    try:
        messages = read_messages(content)
    except DataError as error:
        raise WrongContent(error.what, where) from error
    if len(messages) != 1:
        raise WrongContent(f"{len(messages)} messages where one was expected", where)
    return messages[0]
