"""Sending a request: sessions that add nothing of their own, and what may go wrong on the way."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from wxgate.http.errors import WORTH_A_FEW, BadAddress, FetchError, Unreachable
from wxgate.http.pace import Deadline
from wxgate.http.records import Request

if TYPE_CHECKING:
    import requests


class Connections:
    """The open connections to one service, a session for each thread."""

    def __init__(self, user_agent: str, connect_s: float, read_s: float) -> None:
        self._user_agent = user_agent
        self._connect_s, self._read_s = connect_s, read_s
        self._lock = threading.Lock()
        self._local = threading.local()
        self._sessions: list[requests.Session] = []

    def close(self) -> None:
        """Close every connection."""
        with self._lock:
            sessions, self._sessions = self._sessions, []
            self._local = threading.local()
        for session in sessions:
            session.close()

    def open(self, method: str, request: Request, deadline: Deadline) -> requests.Response:
        """The response to a request, its body not yet read; FetchError when none came."""
        import requests
        from urllib3.exceptions import HTTPError

        left = max(deadline.left(), 0.001)
        try:
            return self._session().request(
                method,
                request.url,
                params=request.params,
                headers=_request_headers(method, request),
                timeout=(min(self._connect_s, left), min(self._read_s, left)),
                stream=True,
                allow_redirects=False,
            )
        except (requests.RequestException, HTTPError) as error:
            raise _transport_error(request.url, error) from error

    def _session(self) -> requests.Session:
        """This thread's own session: sessions keep connections open and are not thread-safe."""
        held: requests.Session | None = getattr(self._local, "session", None)
        if held is None:
            from http.cookiejar import DefaultCookiePolicy

            import requests

            from wxgate.http.impatient import impatient_adapter

            held = requests.Session()
            for scheme in ("http://", "https://"):
                held.mount(scheme, impatient_adapter())
            # Even when told not to follow, it would read the whole body of a redirect, unbounded.
            held.get_redirect_target = _no_redirect  # type: ignore[method-assign, assignment]
            held.headers["User-Agent"] = self._user_agent
            held.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
            held.auth = _no_credentials
            self._local.session = held
            with self._lock:
                self._sessions.append(held)
        return held


def _no_redirect(_: requests.Response) -> None:
    """Stand in as the session's look-out for redirects; the client sees to them itself."""


def _no_credentials(prepared: requests.PreparedRequest) -> requests.PreparedRequest:
    """Stand in as the session's authentication, so that no .netrc is looked up."""
    return prepared


def _request_headers(method: str, request: Request) -> dict[str, str]:
    headers = {"Accept-Encoding": "identity"}
    if request.byte_range is not None:
        first, last = request.byte_range
        headers["Range"] = f"bytes={first}-{'' if last is None else last}"
    elif method == "GET" and request.expect in ("json", "text"):
        headers["Accept-Encoding"] = "gzip"
    if request.expect == "json":
        headers["Accept"] = "application/geo+json, application/json;q=0.9, */*;q=0.1"
    if request.validators is not None:
        if request.validators.etag:
            headers["If-None-Match"] = request.validators.etag
        if request.validators.last_modified:
            headers["If-Modified-Since"] = request.validators.last_modified
    return headers


def _transport_error(url: str, error: Exception) -> FetchError:
    """The error for a request that got no response."""
    import requests

    if isinstance(error, requests.exceptions.InvalidURL | requests.exceptions.InvalidHeader):
        return BadAddress(f"not an address ({error})", url)
    if isinstance(error, requests.exceptions.SSLError):
        return Unreachable(
            "its certificate or encryption was not accepted",
            url,
            remedy="Check this computer's date, and any filter between it and the internet.",
        )
    if isinstance(error, requests.exceptions.Timeout):
        return Unreachable("no answer in time", url, worth_tries=WORTH_A_FEW)
    reason: Any = error.args[0] if error.args else None
    reason = getattr(reason, "reason", reason)
    kind = type(reason).__name__
    if kind == "NameResolutionError":
        return Unreachable("its name cannot be looked up", url, worth_tries=2)
    if kind == "NewConnectionError":
        return Unreachable("the connection was refused", url, worth_tries=2)
    return Unreachable("the connection broke", url, worth_tries=WORTH_A_FEW)
