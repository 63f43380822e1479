"""Bytes from a service: whole files, byte ranges, JSON and text, politely and checked.

One :class:`Client` serves one :class:`Service` (a bucket, a web API) and reads ``file:`` addresses
the same way, so that a folder can stand in for a mirror. What comes back is what was asked for, or
an error: a block page, half a file or an upload in progress never passes for a forecast.

The answers and what they mean are those that the open services give in practice: a bucket says 403
for "not there", a web API says 403 for "go away", one says 302 for "too fast".
"""

from wxgate.http.client import Client
from wxgate.http.content import check_content, check_grib
from wxgate.http.errors import (
    BadAddress,
    FetchError,
    NotThere,
    RangeBeyondEnd,
    RangeIgnored,
    Refused,
    Throttled,
    TooLarge,
    Unreachable,
    WrongContent,
)
from wxgate.http.meter import Meter, server_time
from wxgate.http.records import BUCKET_MISSING, Body, Expect, Request, Service, Validators

__all__ = [
    "BUCKET_MISSING",
    "BadAddress",
    "Body",
    "Client",
    "Expect",
    "FetchError",
    "Meter",
    "NotThere",
    "RangeBeyondEnd",
    "RangeIgnored",
    "Refused",
    "Request",
    "Service",
    "Throttled",
    "TooLarge",
    "Unreachable",
    "Validators",
    "WrongContent",
    "check_content",
    "check_grib",
    "server_time",
]
