"""Contract: handing mail to real servers on loopback, good ones and bad ones.

The servers are aiosmtpd's, an implementation of SMTP that is not ours; certificates are of a CA
made by trustme for this run.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from smtp_server import Data, MailServer, Tls, free_port, silent_server

from wxgate.errors import MailError
from wxgate.smtp import Reply, Security, Server, connect

pytestmark = pytest.mark.contract

SENDER, TO, OTHER = "wxgate@example.org", "pilot@example.org", "nobody@example.org"
PASSWORD = "correct horse (invented)"  # noqa: S105
BODY = b"Subject: test\r\n\r\n.a dot first\r\n..two\r\nlast\r\n"
WAYS = {Tls.NONE: Security.NONE, Tls.STARTTLS: Security.STARTTLS, Tls.IMPLICIT: Security.TLS}


def way_to(box: MailServer, **more: object) -> Server:
    settings: dict[str, object] = {
        "host": "127.0.0.1", "port": box.port, "security": WAYS[box.tls], "sender": SENDER,
        "user": box.login and box.login[0], "ca_file": box.ca_file, "timeout": 2.0,
    }  # fmt: skip
    return Server(**(settings | more))  # type: ignore[arg-type]


@pytest.mark.parametrize("tls", list(Tls))
@pytest.mark.parametrize("login", [None, ("pilot", PASSWORD)])
def test_a_message_arrives_byte_for_byte(tls: Tls, login: tuple[str, str] | None) -> None:
    with MailServer(tls, login) as box:
        with connect(way_to(box), login and login[1]) as connection:
            assert connection.deliver(TO, BODY).reply is Reply.ACCEPTED
            assert connection.deliver(OTHER, BODY).reply is Reply.ACCEPTED
        assert [(m.recipient, m.sender, m.content) for m in box.mails] == [
            (TO, SENDER, BODY), (OTHER, SENDER, BODY),
        ]  # fmt: skip


@pytest.mark.parametrize("tls", [Tls.STARTTLS, Tls.IMPLICIT])
def test_a_certificate_nobody_vouches_for_is_refused(tls: Tls) -> None:
    with MailServer(tls) as box:
        with (
            pytest.raises(MailError, match="certificate"),
            connect(way_to(box, ca_file=None), None),
        ):
            pytest.fail("connected")
        assert box.attempts == 0


@pytest.mark.parametrize("tls", [Tls.STARTTLS, Tls.IMPLICIT])
def test_a_certificate_of_another_name_is_refused(tls: Tls) -> None:
    with MailServer(tls) as box:
        # 127.0.0.2 is the same computer, and not in the certificate; Linux answers there too.
        server = way_to(box, host="127.0.0.2")
        with pytest.raises(MailError), connect(server, None):
            pytest.fail("connected")
        assert box.attempts == 0


def test_without_starttls_on_offer_nothing_goes_out_in_the_clear() -> None:
    with MailServer(Tls.NONE, ("pilot", PASSWORD)) as box:
        server = way_to(box, security=Security.STARTTLS)
        with pytest.raises(MailError, match="STARTTLS"), connect(server, PASSWORD):
            pytest.fail("connected")
        assert box.attempts == 0


@pytest.mark.parametrize("tls", list(Tls))
def test_a_refused_login_never_shows_the_password(tls: Tls) -> None:
    with MailServer(tls, ("pilot", "another")) as box:
        with (
            pytest.raises(MailError, match="refused the login") as told,
            connect(way_to(box), PASSWORD),
        ):
            pytest.fail("connected")
        assert PASSWORD not in str(told.value) + repr(told.value.__cause__)
        assert told.value.__suppress_context__


def test_of_two_recipients_one_is_refused() -> None:
    with MailServer() as box:
        box.refused.add(OTHER)
        with connect(way_to(box), None) as connection:
            refused = connection.deliver(OTHER, BODY)
            taken = connection.deliver(TO, BODY)
        assert (refused.reply, taken.reply) == (Reply.REFUSED, Reply.ACCEPTED)
        assert "550" in refused.told
        assert "no such user" in refused.told
        assert [m.recipient for m in box.mails] == [TO]


def test_greylisting_is_later_and_then_taken() -> None:
    with MailServer() as box:
        box.grey[TO] = 1
        with connect(way_to(box), None) as connection:
            assert connection.deliver(TO, BODY).reply is Reply.LATER
            assert connection.deliver(TO, BODY).reply is Reply.ACCEPTED
        assert len(box.mails) == 1


@pytest.mark.parametrize(
    ("data", "reply", "taken"),
    [
        (Data.DIE_BEFORE, Reply.UNSURE, 0),
        (Data.DIE_AFTER, Reply.UNSURE, 1),  # why "unsure" is not "later"
        (Data.REJECT, Reply.REFUSED, 0),
        (Data.LATER, Reply.LATER, 0),
    ],
)
def test_what_becomes_of_a_message_at_data(data: Data, reply: Reply, taken: int) -> None:
    with MailServer() as box:
        box.data = data
        with connect(way_to(box), None) as connection:
            delivery = connection.deliver(TO, BODY * 20000)
        assert delivery.reply is reply
        assert delivery.over is (reply is Reply.UNSURE)
        assert len(box.mails) == taken


def test_a_server_that_is_slow_is_left_in_time() -> None:
    with MailServer() as box:
        box.delay = 30
        start = time.monotonic()
        with connect(way_to(box, timeout=0.4), None) as connection:
            delivery = connection.deliver(TO, BODY)
        assert (delivery.reply, delivery.over) == (Reply.LATER, True)
        assert time.monotonic() - start < 3


@pytest.mark.parametrize("greeting", [b"", b"220-" + b"x" * 400])
def test_a_server_that_hangs_or_drips_is_left_in_time(greeting: bytes) -> None:
    with silent_server(greeting, every=0.1) as port:
        server = Server("127.0.0.1", port, Security.NONE, SENDER, timeout=0.25)
        start = time.monotonic()
        with pytest.raises(MailError, match="cannot be reached"), connect(server, None):
            pytest.fail("connected")
        assert time.monotonic() - start < 4


def test_nobody_there() -> None:
    server = Server("127.0.0.1", free_port(), Security.NONE, SENDER)
    with pytest.raises(MailError, match="cannot be reached"), connect(server, None):
        pytest.fail("connected")


def test_a_ca_file_that_is_not_there_is_an_error_in_words(tmp_path: Path) -> None:
    with (
        MailServer(Tls.IMPLICIT) as box,
        pytest.raises(MailError),
        connect(way_to(box, ca_file=tmp_path / "none.pem"), None),
    ):
        pytest.fail("connected")
