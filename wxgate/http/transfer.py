"""The body of a response: as long as was told, no longer than allowed, its coding taken off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from wxgate.http.content import check_magic
from wxgate.http.errors import (
    WORTH_A_FEW,
    FetchError,
    RangeBeyondEnd,
    RangeIgnored,
    Unreachable,
    WrongContent,
    too_large,
    web_page,
)
from wxgate.http.meter import Meter
from wxgate.http.pace import Deadline
from wxgate.http.records import Range, Request

if TYPE_CHECKING:
    import requests

_CHUNK = 1 << 16
#: A body that comes more slowly than this after a while is given up: sixty such steps would take
#: hours, each within its own bound. The slowest mobile line that pages still load on is faster.
SLOW_AFTER_S, SLOW_BYTES_PER_S = 30.0, 200.0


def receive(
    response: requests.Response,
    url: str,
    headers: Mapping[str, str],
    request: Request,
    deadline: Deadline,
    meter: Meter,
) -> bytes:
    """The content of an answer whose status is good; ``headers`` have lower-case names."""
    length = _told_length(url, response.status_code, headers, request)
    raw = _read(response, url, length, request, deadline, meter)
    return _decoded(raw, url, headers, request)


def _told_length(url: str, status: int, headers: Mapping[str, str], request: Request) -> int | None:
    """The length that the body must have (None: not told), after the checks of the headers."""
    told = headers.get("content-length", "")
    length = int(told) if told.isascii() and told.isdigit() else None
    if request.expect != "any" and _is_html_type(headers.get("content-type", "")):
        raise web_page(url)
    if request.byte_range is not None:
        if status != 206:
            raise RangeIgnored("the whole file was sent in place of a range", url, status=status)
        of_range = _length_of_range(url, headers.get("content-range", ""), request.byte_range)
        if length not in (None, of_range):
            raise WrongContent(
                f"{length} bytes announced for a range of {of_range}", url, status=status
            )
        length = of_range
    if length is not None and length > request.max_bytes:
        raise too_large(url, request.max_bytes)
    return length


def _length_of_range(url: str, told: str, wanted: Range) -> int:
    """The number of bytes of a Content-Range that answers the range wanted."""
    import re

    match = re.fullmatch(r"bytes (\d{1,18})-(\d{1,18})/(\d{1,18}|\*)", told.strip(), re.ASCII)
    first, last = wanted
    if match:
        got_first, got_last = int(match[1]), int(match[2])
        end = None if match[3] == "*" else int(match[3]) - 1
        if got_first == first and last is not None and got_last == end and got_last < last:
            raise RangeBeyondEnd("the file ends before the range does", url, status=206)
        fits = got_last in ((end or got_last,) if last is None else (last,))
        if got_first == first and first <= got_last and fits:
            return got_last - got_first + 1
    asked = f"{first}-{'' if last is None else last}"
    raise WrongContent(f"asked for bytes {asked}, got {told[:60]!r}", url, status=206)


def _is_html_type(content_type: str) -> bool:
    return content_type.split(";")[0].strip().lower() in ("text/html", "application/xhtml+xml")


def _read(
    response: requests.Response,
    url: str,
    length: int | None,
    request: Request,
    deadline: Deadline,
    meter: Meter,
) -> bytes:
    """The raw body, within ``max_bytes`` and the deadline, exactly ``length`` if known."""
    from urllib3.exceptions import HTTPError

    got = bytearray()
    begun = deadline.left()
    while True:
        spent = begun - deadline.left()
        crawls = spent > SLOW_AFTER_S and len(got) < spent * SLOW_BYTES_PER_S
        if deadline.left() < 0 or crawls:
            raise Unreachable(f"too slow: {len(got)} bytes in {spent:.0f} s", url)
        try:
            # read1 returns what has come; read would wait for a whole chunk, drop by drop.
            chunk = response.raw.read1(_CHUNK, decode_content=False)
        except HTTPError as error:
            raise _broken(url, len(got), length, error) from error
        if not chunk:
            break
        got += chunk
        meter.received(len(chunk))
        if len(got) > request.max_bytes:
            raise too_large(url, request.max_bytes)
        if length is not None and len(got) > length:
            raise WrongContent(f"more than the {length} bytes of the range", url)
        if request.expect == "grib" and "content-encoding" not in response.headers:
            check_magic(bytes(got[:4]), url)
    if length is not None and len(got) != length:
        raise _broken(url, len(got), length, None)
    return bytes(got)


def _broken(url: str, got: int, length: int | None, error: Exception | None) -> FetchError:
    """The error for a body that did not come to its end."""
    from urllib3.exceptions import ReadTimeoutError

    of = "" if length is None else f" of {length}"
    if isinstance(error, ReadTimeoutError):
        return Unreachable(f"silent after {got}{of} bytes", url, worth_tries=WORTH_A_FEW)
    return WrongContent(f"broke off after {got}{of} bytes", url, worth_tries=WORTH_A_FEW)


def _decoded(raw: bytes, url: str, headers: Mapping[str, str], request: Request) -> bytes:
    """The body without its gzip coding, which only text and JSON may have."""
    import zlib

    coding = headers.get("content-encoding", "identity").strip().lower()
    if coding in ("", "identity"):
        return raw
    asked_for = request.expect in ("json", "text") and request.byte_range is None
    if coding not in ("gzip", "x-gzip") or not asked_for:
        raise WrongContent(f"came in the coding {coding[:20]!r}, which was not asked for", url)
    unpack = zlib.decompressobj(wbits=31)
    try:
        content = unpack.decompress(raw, request.max_bytes + 1)
    except zlib.error as error:
        raise WrongContent(f"its gzip coding is broken ({error})", url) from error
    if len(content) > request.max_bytes:
        raise too_large(url, request.max_bytes)
    if not unpack.eof or unpack.unused_data:
        raise WrongContent("its gzip coding breaks off or has something after it", url)
    return content
