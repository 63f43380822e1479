"""Connections that give the headers of an answer one read timeout in all.

The timeout of a socket begins anew with each piece that comes, so that a server which sends a
header letter by letter would be waited for without end.
"""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from requests.adapters import HTTPAdapter


def impatient_adapter() -> HTTPAdapter:
    """A new transport adapter for a session of requests."""
    adapter: HTTPAdapter = _classes()()
    return adapter


@cache
def _classes() -> type[Any]:
    """The class of such adapters; built when first needed, for the libraries are heavy."""
    from requests.adapters import HTTPAdapter
    from urllib3.connection import HTTPConnection, HTTPSConnection
    from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

    class Impatient:
        sock: socket.socket | None
        timeout: float | None

        def getresponse(self) -> Any:
            over = threading.Event()
            timer = threading.Timer(self.timeout or 60.0, _hang_up, [self.sock, over])
            timer.daemon = True
            timer.start()
            try:
                response = super().getresponse()  # type: ignore[misc]
            finally:
                timer.cancel()
            if over.is_set():  # headers that end with the connection pass for whole ones
                raise TimeoutError("the headers did not end in time")
            return response

    class Plain(Impatient, HTTPConnection):
        pass

    class Encrypted(Impatient, HTTPSConnection):
        pass

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class EncryptedPool(HTTPSConnectionPool):
        ConnectionCls = Encrypted

    pools = {"http": PlainPool, "https": EncryptedPool}

    class Adapter(HTTPAdapter):
        def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
            super().init_poolmanager(*args, **kwargs)
            self.poolmanager.pool_classes_by_scheme = pools

        def proxy_manager_for(self, *args: Any, **kwargs: Any) -> Any:
            proxy = super().proxy_manager_for(*args, **kwargs)
            proxy.pool_classes_by_scheme = pools
            return proxy

    return Adapter


def _hang_up(sock: socket.socket | None, over: threading.Event) -> None:
    """End a connection under its reader, who then finds it closed."""
    over.set()
    with suppress(OSError, AttributeError):
        if sock is not None:
            sock.shutdown(socket.SHUT_RDWR)
