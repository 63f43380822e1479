"""Contract: the watch file, every fault of it with its place, and local times as instants.

Addresses: RFC 5321 sections 4.1.2 and 4.5.3.1 (from memory). Clock changes: the tz database.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from watch_world import utc

from wxgate import places
from wxgate.errors import UsageError
from wxgate.smtp import Security
from wxgate.watch.address import is_address
from wxgate.watch.config import LocalSlot, Quiet, load_settings
from wxgate.watch.times import Slot, fixed_between, instant, is_quiet, slots_between

pytestmark = pytest.mark.contract

GOOD = """\
mail:
  host: mail.example.org
  port: 587
  security: starttls
  from: wxgate@example.org
  user: wxgate
  password-env: MAIL_SECRET
stale-after: 6 h
watches:
  - id: w
    site: demo-field
    aircraft: light-249g
    pilot: novice
    height: 40 m
    hours: 36
    to: [pilot@example.org]
    send: {change: true, at: [20:00, 06:00]}
    slots:
      - {days: [sat, sun], from: 10:00, to: 12:00}
    quiet: {from: 22:00, to: 05:30, break-within: 12 h}
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "watch.yaml"
    path.write_text(text)
    return path


def test_a_good_file(tmp_path: Path) -> None:
    found = load_settings(write(tmp_path, GOOD))
    assert found.server.security is Security.STARTTLS
    assert found.stale_after == 6 * 3600
    (watch,) = found.watches
    assert watch.slots == (LocalSlot(frozenset({5, 6}), time(10), time(12)),)
    assert watch.send.at == (time(20), time(6))
    assert watch.quiet == Quiet(time(22), time(5, 30), 12 * 3600)


def test_the_example_that_ships(wx: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    text = (places.shipped("rules") / "watches" / "example.yaml").read_text(encoding="utf-8")
    copied = write(tmp_path, text)
    assert wx("watch", copied, "--check")[0] == 2  # as copied, it wants a password first
    (tmp_path / "mail-password").touch(mode=0o600)
    (tmp_path / "mail-password").write_text("invented\n")
    code, out, err = wx("watch", copied, "--check")
    assert (code, err) == (0, "")
    assert "meadow-first-flights: Hollin Meadow (invented)" in out
    assert "invented\n" not in out.replace("(invented)", "")
    # Its earlier runs are none of the demonstration, which is told and keeps no verdict back.
    code, out, err = wx("watch", copied, "--demo", "--dry-run", "--out", tmp_path / "mails")
    assert (code, err) == (0, "")
    mails = sorted(tmp_path.glob("mails/*.eml"))
    assert [f"{mail} for" in out for mail in mails] == [True] * 2
    told = " ".join(mails[0].read_text().split())
    assert "demonstration has no earlier runs" in told
    assert "services for earlier runs" not in out


def test_a_password_in_the_environment_that_cron_does_not_hand_on(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The shell has it, cron has not: the message says where to set it."""
    config = write(tmp_path, GOOD)
    monkeypatch.setenv("MAIL_SECRET", "invented")
    assert wx("watch", config, "--check")[0] == 0
    monkeypatch.delenv("MAIL_SECRET")
    code, out, err = wx("watch", config, "--check")
    assert (code, out) == (2, "")
    assert "MAIL_SECRET" in err
    assert "cron and systemd" in err
    assert "password-file" in err


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ("host: mail.example.org", "host: 'mail example'", "2:9", "host"),
        ("port: 587", "port: 70000", "3:9", "1 to 65535"),
        ("port: 587", "port: ''", "3:9", "needed"),
        ("security: starttls", "security: ssl", "4:13", "starttls"),
        ("security: starttls", "security: none", "2:3", "this computer alone"),
        ("from: wxgate@example.org", "from: 'wx\\ngate@example.org'", "5:9", "address"),
        ("  user: wxgate\n", "", "2:3", "go together"),
        ("  password-env: MAIL_SECRET\n", "", "2:3", "go together"),
        ("password-env: MAIL_SECRET", "password-env: hunter2!", "7:17", "never the password"),
        ("password-env: MAIL_SECRET", "password: hunter2", "7:3", "not known"),
        ("stale-after: 6 h", "stale-after: 6", "8:14", "unit"),
        ("stale-after: 6 h", "stale-after: 5 min", "8:14", "allowed"),
        ("stale-after: 6 h\n", "", "1:1", "'stale-after' is missing"),
        ("    pilot: novice\n", "", "10:5", "'pilot' is missing"),
        ("hours: 36", "hours: 3.5", "15:12", "whole number"),
        ("hours: 36", "hours: 999", "15:12", "1 to 240"),
        ("to: [pilot@example.org]", "to: pilot@example.org", "16:9", "list"),
        ("to: [pilot@example.org]", "to: []", "16:9", "empty"),
        ("pilot@example.org]", "'pilot@example.org, b@example.org']", "16:10", "plain address"),
        ("pilot@example.org]", "'Pilot <pilot@example.org>']", "16:10", "plain address"),
        ("06:00", "6:00", "17:38", "06:00"),
        ("06:00", "24:00", "17:38", "00:00 to 23:59"),
        ("06:00", "23:00", "10:5", "quiet hours"),
        ("{change: true, at: [20:00, 06:00]}", "{change: yes}", "17:20", "true, false"),
        ("{change: true, at: [20:00, 06:00]}", "{change: false}", "10:5", "never send"),
        ("[sat, sun]", "[sat, son]", "19:22", "did you mean"),
        ("[sat, sun]", "daily", "19:16", "every"),
        ("from: 10:00, to: 12:00", "from: 12:00, to: 10:00", "19:9", "after its start"),
        ("from: 22:00, to: 05:30", "from: 22:00, to: 22:00", "20:12", "quiet hours"),
        ("    slots:\n      - {days: [sat, sun], from: 10:00, to: 12:00}\n", "", "10:5",
         "no slots"),
        ("height: 40 m", "height: 40", "14:13", "unit"),
        ("id: w\n", "id: W\n", "10:9", "small letters"),
        ("site: demo-field", "site: demo-field\n    site: other", "12:5", "second time"),
    ],
)  # fmt: skip
def test_every_fault_has_its_place(
    tmp_path: Path, old: str, new: str, place: str, told: str
) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(UsageError) as error:
        load_settings(write(tmp_path, GOOD.replace(old, new)))
    text = str(error.value)
    assert f"watch.yaml:{place}:" in text
    assert told in text
    assert "hunter2" not in text


def test_all_faults_at_once_those_of_profiles_too(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    (tmp_path / "bad.yaml").write_text("site: {id: x}\n")
    text = GOOD.replace("novice", "novise").replace("light-249g", "nothing")
    text += (
        text[text.index("  - id: w") :].replace("demo-field", "bad.yaml").replace("id: w", "id: v")
    )
    code, out, err = wx("watch", write(tmp_path, text), "--check")
    assert (code, out) == (2, "")
    for place in ("12:15", "13:12", "22:11", "23:15", "24:12"):
        assert f"watch.yaml:{place}:" in err, err
    assert "bad.yaml" in err


def test_two_watches_of_one_id(tmp_path: Path) -> None:
    text = GOOD + GOOD[GOOD.index("  - id: w") :].replace("40 m", "50 m")
    with pytest.raises(UsageError, match="a second watch has the id 'w'"):
        load_settings(write(tmp_path, text))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--check", "--test"), "only one"),
        (("--dry-run",), "--out"),
        (("--out", "x"), "--dry-run"),
    ],
)
def test_words_that_do_not_go_together(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    code, _, err = wx("watch", write(tmp_path, GOOD), *words)
    assert code == 2
    assert told in err
    assert wx("watch", tmp_path / "none.yaml")[0] == 2


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("a@example.org", True), ("a.b+c@sub.example.org", True), ("o'neill@example.org", True),
        ("a@localhost", True), ("a" * 64 + "@example.org", True),
        ("a" * 65 + "@example.org", False), ("a@" + "b" * 64 + ".org", False),
        ("a@b@c", False), ("@example.org", False), ("a@", False), ("a", False), ("", False),
        (".a@example.org", False), ("a..b@example.org", False), ("a@-b.org", False),
        ("a b@example.org", False), ('"a b"@example.org', False), ("a@example.org\n", False),
        ("a\r\nBcc: b@example.org", False), ("a@example.org>", False), ("<a@example.org", False),
        ("ä@example.org", False), ("a@exämple.org", False), ("a,b@example.org", False),
    ],
)  # fmt: skip
def test_addresses(text: str, good: bool) -> None:
    assert is_address(text) is good


# ---------------------------------------------------------------------- local times

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("day", "at", "fold", "told"),
    [
        (date(2026, 3, 29), time(0, 30), 0, "2026-03-29T00:30"),
        (date(2026, 3, 29), time(1, 30), 0, "2026-03-29T01:30"),  # left out: it reads 02:30 BST
        (date(2026, 3, 29), time(2, 30), 0, "2026-03-29T01:30"),
        (date(2026, 10, 25), time(1, 30), 0, "2026-10-25T00:30"),  # the first of two
        (date(2026, 10, 25), time(1, 30), 1, "2026-10-25T01:30"),  # the second
        (date(2026, 10, 25), time(2, 30), 0, "2026-10-25T02:30"),
    ],
)
def test_local_times_at_the_changes_of_the_clock(day: date, at: time, fold: int, told: str) -> None:
    assert instant(day, at, LONDON, fold=fold) == utc(told)


def test_slots_over_the_change_are_never_shorter_than_meant() -> None:
    slots = (LocalSlot(frozenset(range(7)), time(0, 30), time(1, 30)),)
    got = slots_between(slots, LONDON, utc("2026-10-24T12:00"), utc("2026-10-25T12:00"))
    assert got == (Slot(utc("2026-10-24T23:30"), utc("2026-10-25T01:30")),)
    spring = slots_between(slots, LONDON, utc("2026-03-28T12:00"), utc("2026-03-29T12:00"))
    assert spring == (Slot(utc("2026-03-29T00:30"), utc("2026-03-29T01:30")),)
    gap = (LocalSlot(frozenset(range(7)), time(1, 15), time(2, 15)),)
    spring = slots_between(gap, LONDON, utc("2026-03-28T12:00"), utc("2026-03-29T12:00"))
    assert spring == (Slot(utc("2026-03-29T00:15"), utc("2026-03-29T01:15")),)


def test_fixed_times_are_half_open_and_once_a_day() -> None:
    at = (time(6), time(20))
    got = fixed_between(at, LONDON, utc("2026-06-15T05:00"), utc("2026-06-16T05:00"))
    assert got == (
        ("2026-06-15 20:00", utc("2026-06-15T19:00")),
        ("2026-06-16 06:00", utc("2026-06-16T05:00")),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("quiet", "local", "held"),
    [
        (Quiet(time(22), time(6)), time(22), True), (Quiet(time(22), time(6)), time(5, 59), True),
        (Quiet(time(22), time(6)), time(6), False), (Quiet(time(22), time(6)), time(21, 59), False),
        (Quiet(time(1), time(6)), time(0, 59), False), (Quiet(time(1), time(6)), time(1), True),
        (None, time(3), False),
    ],
)  # fmt: skip
def test_quiet_hours(quiet: Quiet | None, local: time, held: bool) -> None:
    when = datetime.combine(date(2026, 6, 15), local, LONDON)
    assert is_quiet(quiet, LONDON, when) is held
