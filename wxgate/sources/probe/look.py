"""What an assumption about a service is, and what a check of one looks at."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from enum import StrEnum
from types import TracebackType
from typing import Any, Self, TypeVar, cast

from wxgate.errors import DataError
from wxgate.http import Body, Client, Service
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.place import read_service

T = TypeVar("T")


class State(StrEnum):
    """What came of an assumption."""

    HOLDS = "holds"
    BROKEN = "does not hold"
    UNTRIED = "could not be tried"


@dataclass(frozen=True, slots=True)
class Finding:
    """One assumption about a source, and what was seen where it does not hold."""

    source: str
    text: str
    state: State
    seen: str = ""


#: What was seen instead of what is assumed, None where it holds.
Check = Callable[["Look"], str | None]


@dataclass(frozen=True, slots=True)
class Assumption:
    """A sentence, and its check: what was seen instead, None where it holds.

    A check raises DataError where it finds nothing to look at: the first to do so is broken (or
    could not be tried, if the service did not answer), and those behind it could not be tried.
    """

    text: str
    check: Check


class UntriedError(DataError):
    """There is nothing now by which an assumption could be tried."""


class Look:
    """One source looked at: a context that asks each thing but once, and keeps nothing."""

    def __init__(self, name: str, request: Request, tools: Toolbox) -> None:
        self.name = name
        self.request = request
        self.bodies: list[Body] = []  #: what the point services answered, in order
        self.tools = replace(tools, cache=None, offline=False, client=self._listening(tools.client))
        self._answers_before = 0 if tools.meter is None else tools.meter.requests
        self._stack = ExitStack()
        self._found: dict[str, Any] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._stack.__exit__(kind, error, trace)

    @property
    def unanswered(self) -> bool:
        """Whether nobody answered anything yet, as far as answers are counted."""
        meter = self.tools.meter
        return meter is not None and meter.requests == self._answers_before

    @property
    def entry(self) -> Entry:
        """The source's entry of the endpoints."""
        return Entry(self.tools.endpoints, "").entry(self.name)

    def once(self, what: str, make: Callable[[], T]) -> T:
        """What ``make`` gives, made once; its DataError is raised again, the same object."""
        if what not in self._found:
            try:
                self._found[what] = make()
            except DataError as error:
                self._found[what] = error
        found = self._found[what]
        if isinstance(found, DataError):
            raise found
        return cast(T, found)

    def open(self, context: Any) -> Any:
        """Enter a context that is left with this one."""
        return self._stack.enter_context(context)

    def client(self) -> Client:
        """A client of the source's own service."""

        def make() -> Client:
            service = read_service(Entry(self.tools.endpoints, ""), self.entry.text("service"))
            client: Client = self.open(self.tools.client(service))
            return client

        return self.once("client", make)

    def _listening(self, make: Callable[[Service], Client]) -> Callable[[Service], Client]:
        def made(service: Service) -> Client:
            client = make(service)
            get = client.get

            def heard(url: str, **how: Any) -> Body:
                body = get(url, **how)
                self.bodies.append(body)
                return body

            client.get = heard  # type: ignore[method-assign]
            return client

        return made
