"""What may be asked for at all: the address and the range."""

from __future__ import annotations

from urllib.parse import urlsplit

from wxgate.http.errors import BadAddress, too_large
from wxgate.http.records import Request


def scheme_of(url: str) -> str:
    """The scheme of the address; BadAddress for anything wxgate does not open."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError as error:
        raise BadAddress(f"not an address: {error}", url) from error
    if parts.scheme not in ("http", "https", "file"):
        raise BadAddress(f"the scheme {parts.scheme!r} is not opened", url)
    if parts.username is not None or any(c <= " " or c == "\x7f" for c in url):
        raise BadAddress("an address holds no user name, no blank and no control character", url)
    if parts.scheme != "file" and not parts.hostname:
        raise BadAddress("the address names no host", url)
    return parts.scheme


def check_range(request: Request) -> None:
    """Raise for a range that is none (BadAddress) or longer than is allowed (TooLarge)."""
    if request.byte_range is None:
        return
    url, (first, last) = request.url, request.byte_range
    if first < 0 or (last is not None and last < first):
        raise BadAddress(f"{first}-{last} is no range of bytes", url, remedy="Mend the index.")
    if last is not None and last - first + 1 > request.max_bytes:
        raise too_large(url, request.max_bytes)
