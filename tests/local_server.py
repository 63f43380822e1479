"""A local HTTP server for tests: files with byte ranges, small services, and faults on demand.

Not a test file. It listens on 127.0.0.1 at a free port, answers each connection in a thread of its
own, and goes away with its ``with`` block::

    with LocalServer() as server:
        server.blob("/gfs/f006.grib2", content)  # ranges, ETag, Last-Modified, 304, HEAD
        server.handler("/cgi/filter", lambda query: Response(content=cut(query["var"])))
        server.fault("/gfs/*", Fault.STATUS, status=503, headers={"Retry-After": "7"}, times=2)
        client.get(server.url("/gfs/f006.grib2"))
        assert [seen.range for seen in server.requests] == ["bytes=0-99"] * 3

``blob(path, content, *, last_modified, etag, content_type)`` serves bytes; ``remove(path)`` takes
them away (404). ``handler(path, call)`` calls ``call(query)`` with the decoded query (a dict; the
last of equal names wins) and serves the :class:`Response` or bytes that it returns; a range on
a handler's path is ignored, as by a real CGI script. What has no route is a 404.

``fault(pattern, kind, times=None, ...)`` spoils the answers of every path that the shell pattern
matches: ``times`` answers, or all. Faults of one path come in the order in which they were set.
``calm()`` ends them all. The kinds are told at :class:`Fault`.

``requests`` lists what came, in order, as :class:`Seen`; ``paths()`` only their paths;
``forget()`` empties it. ``peak`` is the largest number of requests under way at one time.
"""

from __future__ import annotations

import fnmatch
import gzip
import hashlib
import re
import socket
import struct
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime, formatdate, parsedate_to_datetime
from enum import Enum, auto
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self
from urllib.parse import parse_qsl, urlsplit

BLOCK_PAGE = b"<!DOCTYPE html>\n<html><body><h1>Access blocked</h1></body></html>\n"
LONG_AGO = datetime(2025, 9, 1, tzinfo=UTC)


class Fault(Enum):
    """What can go wrong; in brackets the arguments of ``fault`` that it heeds."""

    STATUS = auto()  #: another status without content (status, headers)
    HTML = auto()  #: 200 with a block page, as text/html
    HTML_IN_DISGUISE = auto()  #: the same as application/octet-stream
    EMPTY = auto()  #: 200 with no bytes
    IGNORE_RANGE = auto()  #: 200 with the whole file
    WRONG_CONTENT_RANGE = auto()  #: 206 of the right length from one byte further on
    NO_CONTENT_RANGE = auto()  #: 206 without Content-Range
    SHORT_RANGE = auto()  #: 206, right Content-Range, one byte less announced and sent
    SHORT_BODY = auto()  #: half of what is announced, then an orderly close
    CHUNKED = auto()  #: no fault: the right content without a length, in chunks
    CUT_CHUNKS = auto()  #: chunks that break off
    DRIP = auto()  #: byte for byte, ``seconds`` apart (seconds)
    SILENT = auto()  #: half of the body, then nothing for ``seconds`` (seconds)
    NO_ANSWER = auto()  #: nothing at all for ``seconds``, then a close (seconds)
    LATENCY = auto()  #: the right answer after ``seconds`` (seconds)
    RESET = auto()  #: half of the body, then a TCP reset
    HANG_UP = auto()  #: a close in place of an answer
    GARBAGE = auto()  #: bytes that are no HTTP
    REDIRECT = auto()  #: a redirect (status of 300 to 399, else 302; location)
    REDIRECT_LOOP = auto()  #: to itself with a growing query
    GZIP = auto()  #: the right content in gzip coding, asked for or not
    GZIP_CUT = auto()  #: gzip coding that ends too early
    CODING = auto()  #: the right content under a coding nobody knows
    HUGE = auto()  #: ``size`` bytes that begin like the file, made as they are sent (size)
    CORRUPT = auto()  #: the right length, the last byte changed


@dataclass(frozen=True)
class Response:
    """What a handler answers."""

    status: int = 200
    content: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Seen:
    """A request that came; header names in lower case."""

    method: str
    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]

    @property
    def range(self) -> str | None:
        """The Range header."""
        return self.headers.get("range")


@dataclass(frozen=True)
class _Blob:
    content: bytes
    etag: str
    last_modified: str
    content_type: str


@dataclass
class _Planned:
    pattern: str
    kind: Fault
    times: int | None
    status: int
    headers: Mapping[str, str]
    seconds: float
    location: str
    size: int


class LocalServer:
    """The server; see the module's text."""

    def __init__(self) -> None:
        self.requests: list[Seen] = []
        self.peak = 0
        self.bytes_sent = 0
        self.stopping = threading.Event()
        self._lock = threading.Lock()
        self._under_way = 0
        self._blobs: dict[str, _Blob] = {}
        self._handlers: dict[str, Callable[[dict[str, str]], Response | bytes]] = {}
        self._planned: list[_Planned] = []
        self._http = _Http(("127.0.0.1", 0), _Answer)
        self._http.local = self
        self._thread = threading.Thread(
            target=self._http.serve_forever, args=(0.02,), name="local-server", daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopping.set()
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(5)

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._http.server_address[1])

    def url(self, path: str = "/") -> str:
        """The address of a path."""
        return f"http://127.0.0.1:{self.port}{path}"

    def blob(
        self,
        path: str,
        content: bytes,
        *,
        last_modified: datetime | str = LONG_AGO,
        etag: str | None = None,
        content_type: str = "application/octet-stream",
    ) -> str:
        """Serve these bytes; returns the address."""
        if isinstance(last_modified, datetime):
            last_modified = format_datetime(last_modified.astimezone(UTC), usegmt=True)
        etag = etag or f'"{hashlib.sha256(content).hexdigest()[:32]}"'
        self._blobs[path] = _Blob(content, etag, last_modified, content_type)
        return self.url(path)

    def remove(self, path: str) -> None:
        """Serve a 404 there from now on."""
        self._blobs.pop(path, None)
        self._handlers.pop(path, None)

    def handler(self, path: str, call: Callable[[dict[str, str]], Response | bytes]) -> str:
        """Serve what ``call`` returns for the query; returns the address."""
        self._handlers[path] = call
        return self.url(path)

    def fault(
        self,
        pattern: str,
        kind: Fault,
        *,
        times: int | None = None,
        status: int = 503,
        headers: Mapping[str, str] | None = None,
        seconds: float = 0.05,
        location: str = "/elsewhere",
        size: int = 1 << 34,
    ) -> None:
        """Spoil the next ``times`` answers (None: all) of the paths that match ``pattern``."""
        planned = _Planned(
            pattern, kind, times, status, headers or {}, seconds, location, size
        )  # fmt: skip
        with self._lock:
            self._planned.append(planned)

    def calm(self) -> None:
        """End all faults."""
        with self._lock:
            self._planned.clear()

    def forget(self) -> None:
        """Empty the list of requests."""
        with self._lock:
            self.requests.clear()
            self.peak = 0

    def paths(self) -> list[str]:
        """The paths asked for, in order."""
        return [seen.path for seen in self.requests]

    # ----- for the answering threads

    def enter(self, seen: Seen) -> _Planned | None:
        with self._lock:
            self.requests.append(seen)
            self._under_way += 1
            self.peak = max(self.peak, self._under_way)
            for planned in self._planned:
                if fnmatch.fnmatchcase(seen.path, planned.pattern) and planned.times != 0:
                    if planned.times is not None:
                        planned.times -= 1
                    return planned
        return None

    def leave(self) -> None:
        with self._lock:
            self._under_way -= 1

    def plain(self, seen: Seen, *, ranged: bool = True) -> Response:
        """The answer without any fault."""
        if seen.path in self._handlers:
            answer = self._handlers[seen.path](dict(seen.query))
            return Response(content=answer) if isinstance(answer, bytes) else answer
        blob = self._blobs.get(seen.path)
        if blob is None:
            return Response(404, b"not here\n", {"Content-Type": "text/plain"})
        headers = {
            "Content-Type": blob.content_type,
            "ETag": blob.etag,
            "Last-Modified": blob.last_modified,
            "Accept-Ranges": "bytes",
        }
        if _unchanged(seen, blob):
            return Response(304, b"", headers)
        if ranged and seen.range is not None:
            return _cut(blob.content, seen.range, headers)
        return Response(200, blob.content, headers)


def _unchanged(seen: Seen, blob: _Blob) -> bool:
    """Whether the validators sent still hold; a tag goes before a date (RFC 9110 13.2.2)."""
    tags = seen.headers.get("if-none-match")
    if tags is not None:
        return blob.etag in [tag.strip() for tag in tags.split(",")] or tags.strip() == "*"
    since = seen.headers.get("if-modified-since")
    if since is None:
        return False
    return parsedate_to_datetime(blob.last_modified) <= parsedate_to_datetime(since)


def _cut(content: bytes, wanted: str, headers: dict[str, str]) -> Response:
    """One range of the content (RFC 9110 14): 206, 416, or all of it for what is no range."""
    match = re.fullmatch(r"bytes=(\d*)-(\d*)", wanted)
    if not match or match[0] == "bytes=-":
        return Response(200, content, headers)
    size = len(content)
    if match[1]:
        first, last = int(match[1]), min(int(match[2] or size - 1), size - 1)
    else:
        first, last = max(size - int(match[2]), 0), size - 1
    if first >= size or last < first:
        return Response(416, b"", {"Content-Range": f"bytes */{size}"})
    told = {**headers, "Content-Range": f"bytes {first}-{last}/{size}"}
    return Response(206, content[first : last + 1], told)


class _Http(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64
    local: LocalServer

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that goes away is what many tests are about; say nothing."""


class _Answer(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    timeout = 20
    server: _Http

    def log_message(self, format: str, *args: object) -> None:
        pass

    def do_GET(self) -> None:
        self._answer()

    def do_HEAD(self) -> None:
        self._answer()

    def _answer(self) -> None:
        local = self.server.local
        parts = urlsplit(self.path)
        seen = Seen(
            self.command,
            parts.path,
            dict(parse_qsl(parts.query, keep_blank_values=True)),
            {name.lower(): value for name, value in self.headers.items()},
        )
        planned = local.enter(seen)
        try:
            if planned is None:
                self._send(local.plain(seen))
            else:
                self._spoil(seen, planned)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # the client cut the transfer off, as it should
        finally:
            local.leave()

    # ----- sending

    def _head(self, status: int, headers: Mapping[str, str], length: int | None) -> None:
        told = {"Date": formatdate(usegmt=True)}
        if length is not None and status != 304:
            told["Content-Length"] = str(length)
        self.send_response_only(status)
        for name, value in {**told, **headers}.items():
            self.send_header(name, value)
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()

    def _send(self, response: Response, sent: bytes | None = None) -> None:
        """The response; ``sent`` in place of its content while the length told stays."""
        self._head(response.status, response.headers, len(response.content))
        if self.command != "HEAD" and response.status not in (204, 304):
            self._write(response.content if sent is None else sent)

    def _write(self, content: bytes) -> None:
        self.wfile.write(content)
        with self.server.local._lock:
            self.server.local.bytes_sent += len(content)

    def _spoil(self, seen: Seen, planned: _Planned) -> None:
        local, kind = self.server.local, planned.kind
        if kind is Fault.STATUS:
            return self._send(Response(planned.status, b"", planned.headers))
        if kind in (Fault.HTML, Fault.HTML_IN_DISGUISE):
            name = "text/html; charset=utf-8" if kind is Fault.HTML else "application/octet-stream"
            return self._send(Response(200, BLOCK_PAGE, {"Content-Type": name}))
        if kind is Fault.EMPTY:
            return self._send(Response(200))
        if kind in (Fault.REDIRECT, Fault.REDIRECT_LOOP):
            status = planned.status if 300 <= planned.status < 400 else 302
            turn = int(seen.query.get("turn", "0")) + 1
            target = f"{seen.path}?turn={turn}" if kind is Fault.REDIRECT_LOOP else planned.location
            return self._send(Response(status, b"", {"Location": target}))
        if kind in (Fault.NO_ANSWER, Fault.HANG_UP, Fault.GARBAGE):
            self.close_connection = True
            if kind is Fault.NO_ANSWER:
                local.stopping.wait(planned.seconds)
            elif kind is Fault.GARBAGE:
                self.wfile.write(b"\x00\x01 this is no answer\r\n\r\n")
            return None
        if kind is Fault.LATENCY:
            local.stopping.wait(planned.seconds)
        return self._spoil_content(
            local.plain(seen, ranged=kind is not Fault.IGNORE_RANGE), planned
        )

    def _spoil_content(self, good: Response, planned: _Planned) -> None:
        kind, content, headers = planned.kind, good.content, dict(good.headers)
        half = content[: len(content) // 2]
        if kind in (Fault.IGNORE_RANGE, Fault.LATENCY):
            return self._send(good)
        if kind is Fault.WRONG_CONTENT_RANGE:
            first, last, size = re.findall(r"\d+", headers["Content-Range"])
            headers["Content-Range"] = f"bytes {int(first) + 1}-{int(last) + 1}/{size}"
            return self._send(Response(good.status, content, headers))
        if kind is Fault.NO_CONTENT_RANGE:
            headers.pop("Content-Range")
            return self._send(Response(good.status, content, headers))
        if kind is Fault.SHORT_RANGE:
            return self._send(Response(good.status, content[:-1], headers))
        if kind is Fault.CORRUPT:
            changed = content[:-1] + bytes([content[-1] ^ 0xFF])
            return self._send(Response(good.status, changed, headers))
        if kind in (Fault.GZIP, Fault.GZIP_CUT, Fault.CODING):
            packed = content if kind is Fault.CODING else gzip.compress(content, mtime=0)
            headers["Content-Encoding"] = "zzz" if kind is Fault.CODING else "gzip"
            cut = packed[:-9] if kind is Fault.GZIP_CUT else packed
            return self._send(Response(good.status, cut, headers))
        if kind in (Fault.CHUNKED, Fault.CUT_CHUNKS):
            return self._chunks(good, whole=kind is Fault.CHUNKED)
        self.close_connection = True
        if kind is Fault.SHORT_BODY:
            return self._send(good, sent=half)
        if kind is Fault.HUGE:
            self._head(good.status, {**headers, "Content-Length": str(planned.size)}, None)
            return self._drain(_endless(content, planned.size))
        if kind is Fault.DRIP:
            self._head(good.status, headers, len(content))
            return self._drip(content, planned.seconds)
        self._send(good, sent=half)
        if kind is Fault.SILENT:
            self.server.local.stopping.wait(planned.seconds)
        elif kind is Fault.RESET:
            # Closing with a linger time of nought sends RST in place of FIN.
            linger = struct.pack("ii", 1, 0)
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            self.connection.close()
        return None

    def _chunks(self, good: Response, *, whole: bool) -> None:
        self._head(good.status, {**good.headers, "Transfer-Encoding": "chunked"}, None)
        for at in range(0, len(good.content), 1000):
            part = good.content[at : at + 1000]
            self._write(f"{len(part):x}\r\n".encode() + part + b"\r\n")
            if not whole:
                self.close_connection = True
                return
        self._write(b"0\r\n\r\n")

    def _drain(self, parts: Iterator[bytes]) -> None:
        for part in parts:
            if self.server.local.stopping.is_set():
                return
            self._write(part)

    def _drip(self, content: bytes, seconds: float) -> None:
        for at in range(len(content)):
            self._write(content[at : at + 1])
            if self.server.local.stopping.wait(seconds):
                return


def _endless(start: bytes, size: int) -> Iterator[bytes]:
    """``size`` bytes, a piece at a time: the start, then noughts."""
    yield start[:size]
    left = size - len(start)
    nothing = bytes(1 << 16)
    while left > 0:
        yield nothing[:left]
        left -= len(nothing)
