"""The client of one service: what it sends, and in which order an answer is looked at."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Self

from wxgate.http.address import check_range, scheme_of
from wxgate.http.connections import Connections
from wxgate.http.content import check_content
from wxgate.http.errors import FetchError, empty
from wxgate.http.localfile import read_file
from wxgate.http.meter import Meter
from wxgate.http.pace import Deadline, Pace
from wxgate.http.records import MAX_BYTES, Body, Expect, Range, Request, Service, Validators
from wxgate.http.redirect import REDIRECTS, target_of
from wxgate.http.status import check_status
from wxgate.http.transfer import receive

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

    import requests

TOTAL_S = 300.0


class Client:
    """Requests to one service, with its pauses, retries and bounds; use it in a ``with``.

    ``total_s`` bounds one request with its retries and waits; the read under way when it ends may
    last ``read_s`` longer. Headers are given ``read_s`` in all. ``tries`` is how
    many requests are sent at most for one answer. ``sleep``, ``clock`` (monotonic seconds) and
    ``jitter`` are handed in so that tests need no patience. ``meter`` counts what comes, also for
    other clients.
    """

    def __init__(
        self,
        service: Service,
        *,
        user_agent: str,
        connect_s: float = 10.0,
        read_s: float = 60.0,
        total_s: float = TOTAL_S,
        tries: int = 5,
        sleep: Callable[[float], object] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
        jitter: random.Random,
        meter: Meter | None = None,
    ) -> None:
        self.service = service
        self.meter = Meter() if meter is None else meter
        self._total_s, self._clock, self._jitter = total_s, clock, jitter
        self._pace = Pace(
            min_interval_s=service.min_interval_s,
            tries=tries,
            sleep=sleep,
            clock=clock,
            jitter=jitter,
        )
        self._connections = Connections(user_agent, connect_s, read_s)
        self._pool: ThreadPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        # Whoever presses Ctrl-C does not want to wait for a server that drips or is silent.
        self.close(wait=kind is None or issubclass(kind, Exception))

    def close(self, *, wait: bool = True) -> None:
        """Close every connection; requests of other threads still under way are waited for.

        Without ``wait`` they are left to themselves: their threads live on until they are done.
        """
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=True)
            self._pool = None
        self._connections.close()

    def get(
        self,
        url: str,
        *,
        byte_range: Range | None = None,
        expect: Expect = "any",
        validators: Validators | None = None,
        max_bytes: int = MAX_BYTES,
        params: Mapping[str, str] | None = None,
    ) -> Body:
        """The body at ``url``, checked; a subclass of :class:`FetchError` when it was not had.

        ``byte_range`` is (first, last) with the last byte **included**; last None: to the end.
        ``expect`` "any" takes every content. With ``validators`` the body may be a 304.
        """
        return self._send("GET", Request(url, byte_range, expect, validators, max_bytes, params))

    def head(self, url: str) -> Body:
        """The headers at ``url``; the content is empty. Errors as for :meth:`get`."""
        return self._send("HEAD", Request(url))

    def get_many(self, requests: Iterable[Request]) -> list[Body | FetchError]:
        """What each request gave, in order: a body, or the error in its place.

        As many at once as the service allows. Once it refuses, throttles to the end or is out of
        reach, the requests not yet sent get the same error instead of sixty more rounds of waits.
        """
        from concurrent.futures import ThreadPoolExecutor

        given_up: list[FetchError] = []

        def one(request: Request) -> Body | FetchError:
            if given_up:
                return given_up[0]
            try:
                return self._send("GET", request)
            except FetchError as error:
                if error.concerns_all:
                    given_up.append(error)
                return error

        if self._pool is None:
            # Kept for the life of the client: its threads hold the open connections.
            self._pool = ThreadPoolExecutor(self.service.connections, f"wxgate-{self.service.name}")
        tasks = [self._pool.submit(one, request) for request in requests]
        try:
            return [task.result() for task in tasks]
        finally:
            for task in tasks:
                task.cancel()

    def _send(self, method: str, request: Request) -> Body:
        scheme = scheme_of(request.url)
        check_range(request)
        if scheme == "file":
            return read_file(method, request)
        deadline = Deadline(self._total_s, self._clock)
        return self._pace.repeat(
            lambda: self._exchange(method, request, deadline), request.url, deadline
        )

    def _exchange(self, method: str, request: Request, deadline: Deadline) -> Body:
        """Send once, and along redirects where the service's are to be followed."""
        seen: set[str] = set()
        while True:
            with self._connections.open(method, request, deadline) as response:
                here = response.url or request.url
                if response.status_code not in REDIRECTS:
                    return self._body(method, response, here, request, deadline)
                target = target_of(response, here, seen, self.service, self._jitter)
            request = replace(request, url=target, params=None)

    def _body(
        self,
        method: str,
        response: requests.Response,
        url: str,
        request: Request,
        deadline: Deadline,
    ) -> Body:
        """The answer, once it has passed every check."""
        headers = {name.lower(): value for name, value in response.headers.items()}
        status = response.status_code
        self.meter.answered(url, headers)
        check_status(url, status, headers, request, self.service)
        if status == 200 and headers.get("content-length") == "0":
            raise empty(url)
        content = b""
        if method == "GET" and status not in (204, 304):
            content = receive(response, url, headers, request, deadline, self.meter)
            check_content(content, request.expect, url)
        validators = Validators(headers.get("etag"), headers.get("last-modified"))
        return Body(url, status, content, headers, validators)
