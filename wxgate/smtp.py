"""Hand one message to a mail server, and say plainly what became of it.

A thin cover of the standard library's ``smtplib``: TLS with the certificate checked or no
connection at all, every wait bounded, and an answer that tells *refused* from *later* from *nobody
can know*. The password is never part of a text that leaves this module.
"""

from __future__ import annotations

import base64
import contextlib
import ipaddress
import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, StrEnum, auto
from pathlib import Path

from wxgate.errors import MailError

#: A server that sends a byte now and then keeps every single wait short; this bounds their sum.
WHOLE = 6  #: times ``Server.timeout`` for one connection, or one message


class Security(StrEnum):
    """How the way to the server is kept private."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"  #: this computer only


@dataclass(frozen=True, slots=True)
class Server:
    """Where mail is handed in, and as whom."""

    host: str
    port: int
    security: Security
    sender: str  #: the From address, plain
    user: str | None = None
    ca_file: Path | None = None  #: certificates to trust in place of the system's
    timeout: float = 30.0  #: s, of one wait


class Reply(Enum):
    """What became of a message."""

    ACCEPTED = auto()  #: the server has taken charge of it
    REFUSED = auto()  #: for good (5xx): the same again would be refused again
    LATER = auto()  #: not now (4xx, or the connection broke before the message was under way)
    UNSURE = auto()  #: the connection broke between the message and the server's word on it


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of a message, in the server's words; ``over``: this connection is of no use."""

    reply: Reply
    told: str = ""
    over: bool = False


@dataclass(slots=True)
class Connection:
    """An open way to a server; made by :func:`connect`."""

    _smtp: smtplib.SMTP
    _server: Server
    _secrets: tuple[str, ...] = field(default=(), repr=False)

    def deliver(self, recipient: str, content: bytes) -> Delivery:
        """Hand in one message (CRLF line ends, 7-bit) for one recipient; never raises for it."""
        smtp = self._smtp
        try:
            with _bounded(smtp, self._server.timeout * WHOLE):
                for command in (f"MAIL FROM:<{self._server.sender}>", f"RCPT TO:<{recipient}>"):
                    code, text = smtp.docmd(command)
                    if not 200 <= code < 300:
                        return self._refused(code, text)
                code, text = smtp.docmd("DATA")
                if code != 354:
                    return self._refused(code, text)
        except (smtplib.SMTPException, OSError, ValueError) as error:
            return Delivery(Reply.LATER, self._words(error), over=True)
        try:
            with _bounded(smtp, self._server.timeout * WHOLE):
                smtp.send(_stuffed(content))
                code, text = smtp.getreply()
        except (smtplib.SMTPException, OSError, ValueError) as error:
            return Delivery(Reply.UNSURE, self._words(error), over=True)
        if 200 <= code < 300:
            return Delivery(Reply.ACCEPTED)
        return self._refused(code, text)

    def _refused(self, code: int, text: bytes) -> Delivery:
        told = f"{code} {_clean(text, self._secrets)}".strip()
        # 421: the server says goodbye; a code outside 4xx and 5xx is no answer to build on.
        over = code == 421 or not 400 <= code < 600
        with contextlib.suppress(smtplib.SMTPException, OSError):
            self._smtp.rset()
        return Delivery(Reply.REFUSED if 500 <= code < 600 else Reply.LATER, told, over)

    def _words(self, error: Exception) -> str:
        return _words(error, self._secrets)


@contextlib.contextmanager
def connect(server: Server, password: str | None) -> Iterator[Connection]:
    """An open, secured, logged-in connection; MailError when there is none to be had.

    Nothing is sent in the clear: without TLS only a server on this computer's own loopback
    address is spoken to.
    """
    secrets = _spellings(server.user, password)
    where = f"{server.host}:{server.port}"
    smtp: smtplib.SMTP | None = None
    try:
        try:
            smtp = _open(server)
            with _bounded(smtp, server.timeout * WHOLE):
                _greet(smtp, server)
                if server.user is not None and password is not None:
                    smtp.login(server.user, password)
        except smtplib.SMTPAuthenticationError as error:
            told = _clean(error.smtp_error, secrets)
            raise MailError(
                f"the mail server refused the login ({error.smtp_code} {told})",
                where=where,
                remedy="Check the user and the password.",
            ) from None  # the chain would hold what was sent
        except ssl.SSLError as error:
            raise MailError(
                f"the mail server's certificate or TLS is not accepted ({_words(error, secrets)})",
                where=where,
                remedy="Check the host, the port and `security`, or name its CA with `ca-file`.",
            ) from None
        except (smtplib.SMTPException, OSError, ValueError) as error:
            raise MailError(
                f"the mail server cannot be reached ({_words(error, secrets)})",
                where=where,
                remedy="Check the host, the port and the network; what is due stays due.",
            ) from None
        yield Connection(smtp, server, secrets)
    finally:
        if smtp is not None:
            with (
                contextlib.suppress(smtplib.SMTPException, OSError, ValueError),
                _bounded(smtp, server.timeout),
            ):
                smtp.quit()
            smtp.close()


def is_loopback(host: str) -> bool:
    """Whether a name or address is this computer's own, by its spelling."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


# ---------------------------------------------------------------------- parts


def _open(server: Server) -> smtplib.SMTP:
    # Our own name in EHLO: the sender's domain, since asking the resolver for it may hang.
    name = server.sender.rpartition("@")[2] or "localhost"
    if server.security is Security.TLS:
        return _Tls(
            server.host, server.port, local_hostname=name, timeout=server.timeout,
            context=_context(server),
        )  # fmt: skip
    return _Plain(server.host, server.port, local_hostname=name, timeout=server.timeout)


def _greet(smtp: smtplib.SMTP, server: Server) -> None:
    if server.security is Security.STARTTLS:
        # smtplib raises where the server does not offer it: then nothing goes out.
        smtp.starttls(context=_context(server))
    elif server.security is Security.NONE:
        peer = smtp.sock.getpeername()[0] if smtp.sock else ""
        if not is_loopback(peer):
            raise OSError("it is not on this computer, and without TLS no other is spoken to")
    smtp.ehlo_or_helo_if_needed()


def _context(server: Server) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=server.ca_file)


@contextlib.contextmanager
def _bounded(smtp: smtplib.SMTP, seconds: float) -> Iterator[None]:
    """Cut the connection when what runs inside takes longer than this altogether."""
    timer = threading.Timer(seconds, _cut, (smtp.sock,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _cut(sock: socket.socket | None) -> None:
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)


class _Greeted:
    """smtplib reads the greeting inside its constructor: bound that too."""

    def getreply(self) -> tuple[int, bytes]:
        with _bounded(self, self.timeout * WHOLE):  # type: ignore[arg-type,attr-defined]
            return super().getreply()  # type: ignore[misc,no-any-return]


class _Plain(_Greeted, smtplib.SMTP):
    pass


class _Tls(_Greeted, smtplib.SMTP_SSL):
    pass


def _stuffed(content: bytes) -> bytes:
    """The message as it goes out after DATA: leading dots doubled, a dot alone at the end."""
    lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").rstrip(b"\n").split(b"\n")
    return b"\r\n".join(b"." + x if x.startswith(b".") else x for x in lines) + b"\r\n.\r\n"


def _spellings(user: str | None, password: str | None) -> tuple[str, ...]:
    """The password in the spellings in which a server might give it back."""
    if not password:
        return ()
    plain = f"\0{user or ''}\0{password}".encode()
    return (
        base64.b64encode(plain).decode(),
        base64.b64encode(password.encode()).decode(),
        password,
    )


def _words(error: Exception, secrets: tuple[str, ...]) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_clean(error.smtp_error, secrets)}".strip()
    if isinstance(error, TimeoutError):
        return "no answer in time"
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return _clean(text, secrets)


def _clean(text: bytes | str, secrets: tuple[str, ...]) -> str:
    """A server's words in one short line, without our secrets."""
    found = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    for secret in secrets:
        found = found.replace(secret, "***")
    line = " ".join(found.split())
    return line if len(line) <= 160 else line[:157] + "..."
