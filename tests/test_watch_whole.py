"""Contract: from forecast bytes on a local server to a mail in a mailbox, as its user types it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from bad_days import HOURS, NOW, Day
from local_server import Fault, LocalServer, Response
from smtp_server import Data, MailServer, Tls
from watch_world import WATCH, write

from wxgate import places

pytestmark = pytest.mark.contract

Result = tuple[int, str, str]
Run = Callable[..., Result]
AT = f"{NOW:%Y-%m-%dT%H:%MZ}"
SLOTS = "    slots: [{days: every, from: 13:00, to: 14:00}]\n"
PILOT = "pilot@example.org"


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


@pytest.fixture
def box() -> Iterator[MailServer]:
    with MailServer(Tls.STARTTLS, ("pilot", "s3cret")) as server:
        yield server


def watch_of(name: str, site: str, aircraft: str = "mid-900g", pilot: str = "intermediate") -> str:
    text = WATCH.format(id=name, site=site, hours=HOURS, to=PILOT, send="{change: true}") + SLOTS
    return text.replace("light-249g", aircraft).replace("pilot: novice", f"pilot: {pilot}")


def config_of(folder: Path, box: MailServer, watches: str, **more: object) -> Path:
    (folder / "secret").write_text("s3cret\n")
    (folder / "secret").chmod(0o600)
    mail = "  user: pilot\n  password-file: secret\n"
    return write(folder, box, watches, mail=mail, **more)  # type: ignore[arg-type]


def test_a_day_that_is_go_arrives_and_its_end_too(
    day: Day, box: MailServer, wx: Run, tmp_path: Path
) -> None:
    config = config_of(tmp_path, box, watch_of("w", "field"))
    assert wx("watch", config, "--check")[0] == 0
    assert wx("watch", config, "--test")[0] == 0
    assert box.mails.pop().message["Subject"] == "wxgate: mail from the watch arrives"
    assert wx("watch", config, "--at", AT) == (0, "", ""), "cron mails what is printed"
    (mail,) = box.mails
    assert mail.message["Subject"].startswith("GO Mon 15 Jun 13:00-14:00 BST, The field")
    png = [p for p in mail.message.walk() if p.get_content_type() == "image/png"]
    assert len(png) == 1
    assert png[0].get_content().startswith(b"\x89PNG")
    assert wx("watch", config, "--at", AT) == (0, "", "")
    assert len(box.mails) == 1
    later = NOW + timedelta(minutes=45)
    day.server.fault("/*", Fault.STATUS, status=503)
    (places.cache_folder() / "hours").rename(places.cache_folder() / "gone")
    (places.cache_folder() / "messages").rename(places.cache_folder() / "gone-too")
    code, out, err = wx("watch", config, "--at", f"{later:%Y-%m-%dT%H:%MZ}")
    assert (code, out) == (3, "")
    assert len(err.splitlines()) == 1, "one line, for cron"
    assert err.startswith("wxgate: watch watch.yaml: w: ")
    beat = json.loads(next((places.state_folder() / "watch").glob("*.json")).read_text())
    assert beat["ok"] is False
    assert beat["last_success"].startswith(f"{NOW:%Y-%m-%dT%H:%M}")
    assert beat["last_run"].startswith(f"{later:%Y-%m-%dT%H:%M}")


def test_watches_of_one_site_share_its_downloads(
    day: Day, box: MailServer, wx: Run, tmp_path: Path
) -> None:
    assert wx("watch", config_of(tmp_path, box, watch_of("a", "field")), "--at", AT)[0] == 0
    alone = len(day.server.requests)
    day.server.forget()
    for folder in places.cache_folder().iterdir():
        folder.rename(tmp_path / folder.name)
    watches = "".join(
        watch_of(f"w{n}", "field", craft, pilot)
        for n, (craft, pilot) in enumerate(
            [("mid-900g", "intermediate"), ("light-249g", "novice"), ("heavy-4kg", "experienced")]
        )
    )
    box.mails.clear()
    assert wx("watch", config_of(tmp_path, box, watches), "--at", AT)[0] == 0
    assert len(day.server.requests) == alone > 0
    assert len(box.mails) == 1, "one recipient, one mail"


def test_a_site_that_fails_is_asked_once_and_the_others_answer(
    day: Day, box: MailServer, wx: Run, tmp_path: Path
) -> None:
    watches = "".join(
        watch_of(f"{site}{n}", site, craft)
        for site in ("field", "meadow")
        for n, craft in enumerate(("mid-900g", "heavy-4kg"))
    )
    config = config_of(tmp_path, box, watches, sites=("field", "meadow"))
    # The crop script fails for the north; the meadow lies in the south.
    (tmp_path / "meadow.yaml").write_text(
        (tmp_path / "meadow.yaml").read_text().replace("52.0", "-30.0")
    )
    north: list[str] = []

    def answer(query: dict[str, str]) -> Response | bytes:
        if float(query["toplat"]) > 0:
            north.append(query["file"])
            return Response(500, b"")
        return day.nomads.answer(query)

    day.server.handler("/cgi/filter", answer)
    code, _, err = wx("watch", config, "--at", AT)
    asked = len(north)
    assert code == 3, err
    assert "field0" in err
    assert "meadow" not in err
    assert len(box.mails) == 1
    text = box.mails[0].message.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert "The meadow" in text
    assert "The field" not in text
    north.clear()
    alone = config_of(tmp_path, box, watch_of("only", "field"))
    assert wx("watch", alone, "--at", AT)[0] == 3
    assert len(north) == asked > 0, "two watches of a site that fails ask no more than one does"


def test_a_demonstration_needs_no_network(box: MailServer, wx: Run, tmp_path: Path) -> None:
    watches = (
        watch_of("w", "demo-field", "light-249g", "novice")
        .replace("demo-field.yaml", "demo-field")
        .replace(f"hours: {HOURS}", "hours: 36")
    )
    config = config_of(tmp_path, box, watches)
    code, _, err = wx("watch", config, "--demo", "--dry-run", "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    assert len(list((tmp_path / "out").glob("*.eml"))) == 1
    assert box.mails == []


def test_two_runs_at_once_send_one_mail(day: Day, box: MailServer, wx: Run, tmp_path: Path) -> None:
    config = config_of(tmp_path, box, watch_of("w", "field"))
    words = [sys.executable, "-m", "wxgate", "watch", str(config), "--at", AT]
    both = [subprocess.Popen(words, stderr=subprocess.PIPE) for _ in range(2)]
    assert [run.wait() for run in both] == [0, 0], [run.stderr.read() for run in both if run.stderr]
    for run in both:
        assert run.stderr is not None
        run.stderr.close()
    assert len(box.mails) == 1


def test_a_trial_that_breaks_off_names_those_who_were_not_tried(
    box: MailServer, wx: Run, tmp_path: Path
) -> None:
    watches = watch_of("w", "field").replace(PILOT, f"{PILOT}, second@example.org")
    config = config_of(tmp_path, box, watches)
    box.data, box.data_times = Data.DIE_BEFORE, 1
    code, out, err = wx("watch", config, "--test")
    assert (code, out) == (7, "")
    assert f"{PILOT}: " in err
    assert "second@example.org: not tried" in err
