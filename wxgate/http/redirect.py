"""Whether a redirect is one to follow, and where it leads."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING
from urllib.parse import urljoin, urlsplit

from wxgate.http.address import scheme_of
from wxgate.http.errors import WORTH_A_FEW, BadAddress, Throttled, WrongContent
from wxgate.http.records import Service

if TYPE_CHECKING:
    import requests

REDIRECTS = frozenset({301, 302, 303, 307, 308})
REDIRECT_WAIT_S = 60.0  #: the least wait after a redirect that means "too fast"

_MOST_HOPS = 5


def target_of(
    response: requests.Response, here: str, seen: set[str], service: Service, jitter: random.Random
) -> str:
    """The address that a redirect from ``here`` leads to; FetchError when it is not followed.

    ``here`` is added to ``seen``, the addresses on the way so far.
    """
    status = response.status_code
    if service.redirect_is_throttle:
        raise Throttled(
            f"the service sent a redirect ({status}), which means too many requests",
            here,
            status=status,
            worth_tries=WORTH_A_FEW,
            wait_s=REDIRECT_WAIT_S * jitter.uniform(1.0, 1.3),
        )
    location = response.headers.get("location", "")
    seen.add(here)
    # A stranger must not lead us to a local file, nor off an encrypted connection.
    schemes = ("https",) if urlsplit(here).scheme == "https" else ("http", "https")
    try:
        target = urljoin(here, location)
        good = scheme_of(target) in schemes and service.follow_redirects
    except (ValueError, BadAddress):
        good = False
    if not good:
        raise WrongContent(f"redirected ({status}) to {location[:120]!r}", here, status=status)
    if target in seen or len(seen) > _MOST_HOPS:
        raise WrongContent(f"redirected ({status}) in a circle", here, status=status)
    return target
