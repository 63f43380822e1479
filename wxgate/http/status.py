"""What a service means by the status of its answer."""

from __future__ import annotations

from collections.abc import Mapping

from wxgate.http.errors import (
    WORTH_A_FEW,
    WORTH_EVERY_TRY,
    NotThere,
    RangeBeyondEnd,
    Refused,
    Throttled,
    Unreachable,
    WrongContent,
)
from wxgate.http.records import Request, Service


def check_status(
    url: str, status: int, headers: Mapping[str, str], request: Request, service: Service
) -> None:
    """Raise for every status that brings nothing, as the service means it."""
    wanted = request.byte_range is not None
    if status in (200, 203) or (status == 206 and wanted):
        return
    if status == 304 and request.validators is not None:
        return
    if status == 204:
        if wanted or request.expect == "grib":
            raise NotThere("the service has nothing to send (204)", url, status=status)
        return
    if status in service.missing_statuses:
        raise NotThere(f"the file is not there ({status})", url, status=status)
    if status == 416 and wanted:
        raise RangeBeyondEnd("the range lies past the end of the file", url, status=status)
    if status in (429, 503):
        wait_s = _retry_after(headers)
        asked = "" if wait_s is None else f", and a wait of {min(wait_s, 1e6):.0f} s"
        raise Throttled(
            f"the service asks for fewer requests ({status}){asked}",
            url,
            status=status,
            worth_tries=WORTH_EVERY_TRY,
            wait_s=wait_s,
        )
    if status >= 500 or status in service.flaky_statuses:
        raise Unreachable(
            f"the service failed ({status})", url, status=status, worth_tries=WORTH_A_FEW
        )
    if status >= 400:
        raise Refused(f"the service refused the request ({status})", url, status=status)
    raise WrongContent(f"an answer that fits no request ({status})", url, status=status)


def _retry_after(headers: Mapping[str, str]) -> float | None:
    """The wait that a service asks for in seconds, at least 1; None when it names none.

    A date is measured from the response's own ``Date``: no clock of ours is needed or trusted.
    """
    from email.utils import parsedate_to_datetime

    asked = headers.get("retry-after", "").strip()
    if asked.isascii() and asked.isdigit():
        return max(float(asked[:9]), 1.0)
    try:
        until, sent = parsedate_to_datetime(asked), parsedate_to_datetime(headers.get("date", ""))
        return max((until - sent).total_seconds(), 1.0)
    except (TypeError, ValueError):
        return None
