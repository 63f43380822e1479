"""Real mail servers on loopback for tests, with faults on demand (aiosmtpd). Not a test file.

    with MailServer(Tls.STARTTLS, login=("pilot", "secret")) as server:
        server.refuse("nobody@example.org")
        ...
        assert [m.recipient for m in server.mails] == ["pilot@example.org"]

``mails`` holds what was accepted, in order; ``attempts`` counts MAIL commands. The certificate is
one of a CA of this run (``server.ca_file``), for localhost and 127.0.0.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from enum import Enum, auto
from functools import cache
from pathlib import Path
from typing import Any, Self

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session


class Tls(Enum):
    NONE = auto()
    STARTTLS = auto()
    IMPLICIT = auto()


class Data(Enum):
    """What happens at DATA."""

    TAKE = auto()
    DIE_BEFORE = auto()  #: the connection breaks while the message is being sent
    DIE_AFTER = auto()  #: the message is taken, and the connection breaks before that is said
    REJECT = auto()  #: 554
    LATER = auto()  #: 451


@dataclass(frozen=True)
class Taken:
    recipient: str
    sender: str
    content: bytes

    @property
    def message(self) -> EmailMessage:
        return message_from_bytes(self.content, policy=default)  # type: ignore[return-value]


@cache
def authority() -> trustme.CA:
    return trustme.CA()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class _Protocol(SMTP):
    async def smtp_DATA(self, arg: str) -> None:
        box: MailServer = self.event_handler.box
        if box.data is Data.DIE_BEFORE and box.data_times > 0:
            box.data_times -= 1
            await self.push("354 go on")
            assert self.transport is not None
            self.transport.abort()
            return
        await super().smtp_DATA(arg)


@dataclass
class _Handler:
    box: MailServer

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        self.box.attempts += 1
        await asyncio.sleep(self.box.delay)
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.box.refused:
            return "550 5.1.1 no such user here"
        if self.box.grey.get(address, 0) > 0:
            self.box.grey[address] -= 1
            return "451 4.7.1 greylisted, come back later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        box = self.box
        kind = box.data if box.data_times > 0 else Data.TAKE
        box.data_times -= kind is not Data.TAKE
        if kind is Data.REJECT:
            return "554 5.7.1 message refused"
        if kind is Data.LATER:
            return "451 4.3.0 try again"
        assert envelope.content is not None
        for recipient in envelope.rcpt_tos:
            content = envelope.content
            raw = content if isinstance(content, bytes) else content.encode()
            box.mails.append(Taken(recipient, envelope.mail_from or "", raw))
        if kind is Data.DIE_AFTER:
            assert server.transport is not None
            server.transport.abort()
        return "250 OK"


@dataclass
class MailServer:
    tls: Tls = Tls.NONE
    login: tuple[str, str] | None = None
    port: int = 0
    mails: list[Taken] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)
    grey: dict[str, int] = field(default_factory=dict)
    data: Data = Data.TAKE
    data_times: int = 10**9
    delay: float = 0.0
    attempts: int = 0

    def __post_init__(self) -> None:
        # Gone with the server: a hundred tests must not leave a hundred folders.
        self._folder = tempfile.TemporaryDirectory()
        self.ca_file = Path(self._folder.name) / "ca.pem"
        authority().cert_pem.write_to_path(self.ca_file)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Start, on the port it had before if it had one."""
        self.port = self.port or free_port()
        context: ssl.SSLContext | None = None
        if self.tls is not Tls.NONE:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            authority().issue_cert("localhost", "127.0.0.1").configure_cert(context)
        more: dict[str, Any] = {}
        if self.login is not None:
            more = {"authenticator": self._authenticate, "auth_required": True,
                    "auth_require_tls": False}  # fmt: skip
        if self.tls is Tls.STARTTLS:
            more |= {"tls_context": context, "require_starttls": True}

        class Ours(Controller):
            def factory(self) -> SMTP:
                return _Protocol(self.handler, **self.SMTP_kwargs)

        self._controller = Ours(
            _Handler(self), hostname="127.0.0.1", port=self.port,
            ssl_context=context if self.tls is Tls.IMPLICIT else None, **more,
        )  # fmt: skip
        self._controller.start()

    def stop(self) -> None:
        self._controller.stop()

    def _authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        assert self.login is not None
        good = (data.login.decode(), data.password.decode()) == self.login
        if good:
            return AuthResult(success=True)
        # A careless server that gives the password back.
        text = f"535 5.7.8 wrong password {data.password.decode()}"
        return AuthResult(success=False, handled=False, message=text)


@contextlib.contextmanager
def silent_server(greeting: bytes = b"", every: float = 0.05) -> Iterator[int]:
    """A port that takes connections and says nothing, or one byte of ``greeting`` at a time."""
    stopping = threading.Event()
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0.05)

        def serve() -> None:
            kept = []
            while not stopping.is_set():
                with contextlib.suppress(OSError):
                    connection, _ = listening.accept()
                    kept.append(connection)
                    for byte in greeting:
                        if stopping.wait(every):
                            break
                        connection.send(bytes([byte]))
            for connection in kept:
                connection.close()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield int(listening.getsockname()[1])
        finally:
            stopping.set()
            thread.join(5)
