"""Whether content is what was asked for, by looking at it."""

from __future__ import annotations

from wxgate.http.errors import WrongContent, empty, web_page
from wxgate.http.records import Expect


def check_content(content: bytes, expect: Expect, url: str) -> None:
    """Raise unless the content is what was expected; an empty file is one not yet written."""
    if not content:
        raise empty(url)
    if expect == "any":
        return
    if content[:64].lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith((b"<!doctype", b"<html")):
        raise web_page(url)
    if expect == "grib":
        check_grib(content, url)
    elif expect == "json":
        _check_json(content, url)
    elif b"\0" in content:
        raise WrongContent("not text", url)


def check_grib(content: bytes, url: str) -> int:
    """How many whole GRIB 2 messages the content is made of; WrongContent if of anything else.

    Section 0 holds "GRIB", the edition in octet 8 and the length of the message in octets 9-16,
    and "7777" ends it (WMO Manual on Codes, FM 92 GRIB edition 2).
    """
    at = count = 0
    while at < len(content):
        check_magic(content[at : at + 4], url)
        if content[at + 7 : at + 8] != b"\x02":
            raise WrongContent(f"message {count + 1} is not GRIB edition 2", url)
        length = int.from_bytes(content[at + 8 : at + 16], "big")
        end = at + length
        if length < 20 or end > len(content) or content[end - 4 : end] != b"7777":
            raise WrongContent(
                f"GRIB message {count + 1} of {length} bytes is cut off or damaged", url
            )
        at, count = end, count + 1
    return count


def check_magic(head: bytes, url: str) -> None:
    """Raise unless the first bytes, four or fewer, are those of a GRIB message."""
    if not b"GRIB".startswith(head):
        raise WrongContent(f"not GRIB: it begins with {head!r}", url)


def _check_json(content: bytes, url: str) -> None:
    import json

    try:
        json.loads(content)
    except (ValueError, RecursionError) as error:
        raise WrongContent(f"not JSON ({error})", url) from error
