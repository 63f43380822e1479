"""Why something was not had: one class for each thing that a caller may do about it."""

# ruff: noqa: N818  (each error is named for what is the case: NotThere, Refused, Throttled)
from __future__ import annotations

import sys
from typing import ClassVar

from wxgate.errors import DataError

#: ``worth_tries`` of a transfer that broke: it may well pass the next time, but a mirror is near.
WORTH_A_FEW = 3
#: ``worth_tries`` of a plea for patience: as often as the client sends anything.
WORTH_EVERY_TRY = sys.maxsize


class FetchError(DataError):
    """What was asked for was not had.

    ``url`` is the address, ``status`` the HTTP status where there was one. ``worth_tries`` is how
    many requests in all the fault is worth (1: asking again cures nothing), ``wait_s`` the wait
    that the service asked for.
    """

    remedy_for_kind: ClassVar[str] = "Try another mirror, or try again later."

    def __init__(
        self,
        what: str,
        url: str,
        *,
        status: int | None = None,
        remedy: str | None = None,
        worth_tries: int = 1,
        wait_s: float | None = None,
    ) -> None:
        self.url = url
        self.status = status
        self.worth_tries = worth_tries
        self.wait_s = wait_s
        where = url if len(url) <= 200 else f"{url[:120]}...{url[-60:]}"
        super().__init__(what, where=where, remedy=remedy or self.remedy_for_kind)

    @property
    def concerns_all(self) -> bool:
        """Whether the service as a whole is at fault, so that its other files will fail too."""
        return False


class BadAddress(FetchError):
    """The address is not one that wxgate opens, or the range is none."""

    remedy_for_kind = "Correct the address in the configuration: http, https or file, no password."


class NotThere(FetchError):
    """The file is not there (yet, or any more), or it is still being written."""

    remedy_for_kind = "Try another mirror, then the run before."


class RangeBeyondEnd(NotThere):
    """The range lies past the end: the index and the file belong to different uploads."""

    remedy_for_kind = "Fetch the index again and retry once, else use the run before."


class Refused(FetchError):
    """The service does not serve this request, or not to us; asking again makes it worse."""

    remedy_for_kind = (
        "Do not repeat the request: check its parameters and the contact in the user agent, "
        "and use another source meanwhile."
    )

    @property
    def concerns_all(self) -> bool:
        """A block does; a request that the service cannot make sense of does not."""
        return self.status in (401, 403)


class Throttled(FetchError):
    """The service wants fewer requests, and went on saying so."""

    remedy_for_kind = "Wait some minutes, or use another mirror."

    @property
    def concerns_all(self) -> bool:
        """Always."""
        return True


class RangeIgnored(FetchError):
    """The whole file came in answer to a range; the transfer was cut off at once."""

    remedy_for_kind = "Use another mirror: a server or a proxy on the way ignores byte ranges."


class WrongContent(FetchError):
    """What came is not what was asked for."""

    remedy_for_kind = "Nothing of it was kept; use another mirror, or try again later."


class Unreachable(FetchError):
    """The service cannot be reached, fails, or breaks off."""

    remedy_for_kind = "Check the connection to the internet, or use another mirror."

    @property
    def concerns_all(self) -> bool:
        """A connection that fails does; an answer of 5xx may be about one file."""
        return self.status is None


class TooLarge(FetchError):
    """The body is larger than the caller allows; reading stopped there."""

    remedy_for_kind = "Ask for a smaller part; if the file has rightly grown, raise the bound."


# ------------------------------------------------------------ found in more than one place


def web_page(url: str) -> WrongContent:
    """The error for HTML in place of the file."""
    return WrongContent("a web page came in place of the file (a block or maintenance page)", url)


def empty(url: str) -> NotThere:
    """The error for a file of no bytes."""
    return NotThere("the file is empty: it is still being written", url, status=200)


def too_large(url: str, max_bytes: int) -> TooLarge:
    """The error for a body, told or come, of more than the bytes allowed."""
    return TooLarge(f"more than the {max_bytes} bytes allowed", url)
