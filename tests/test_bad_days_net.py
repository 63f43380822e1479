"""Contract: networks and computers at their worst, at the command line where a user meets them.

The good day of ``bad_days`` spoilt as in ``test_bad_days``, by what that file has not: servers that
crawl or never end (with time and memory measured), lengths that are wrong, captive portals, names
that cannot be looked up, kill -9, 29 February.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from bad_days import HOURS, KP_FILE, NOW, RUN, SITE, Day, good_file, kp_rows
from local_server import BLOCK_PAGE, Fault, LocalServer, Response

from wxgate import places
from wxgate.http import Client, Service, Unreachable, WrongContent, transfer

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
WHO = ("--lat", SITE[0], "--lon", SITE[1], "--aircraft", "mid-900g", "--pilot", "intermediate")
ASK = (*WHO, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--hours", HOURS)
ALL_GO = ["go"] * HOURS


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


def grades(wx: Run, *more: object) -> list[str]:
    code, out, err = wx("brief", *(more or ASK), "--json")
    assert code == 0, err
    return [hour["grade"] for hour in json.loads(out)["hours"]]


def client(**settings: object) -> Client:
    import random

    return Client(
        Service("test"), user_agent="wxgate-test", sleep=lambda s: None, tries=1,
        jitter=random.Random(1), **settings,  # type: ignore[arg-type]
    )  # fmt: skip


@contextmanager
def raw_server(talk: Callable[[socket.socket], None]) -> Iterator[str]:
    """A server that says what ``talk`` says to whoever connects; its address."""

    class Talk(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            with suppress(OSError):
                self.request.recv(1 << 16)
                talk(self.request)

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        block_on_close = False

    with Server(("127.0.0.1", 0), Talk) as server:
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()


# ---------------------------------------------------------------------- slow


def test_headers_that_drip_end_with_the_read_timeout() -> None:
    def drip(line: socket.socket) -> None:
        line.sendall(b"HTTP/1.1 200 OK\r\n")
        for _ in range(1000):
            line.sendall(b"X")
            time.sleep(0.05)

    with raw_server(drip) as url, client(read_s=0.4) as c:
        began = time.monotonic()
        with pytest.raises(Unreachable):
            c.get(url)
        assert time.monotonic() - began < 3.0


def test_a_body_that_crawls_is_given_up_long_before_the_bound(
    day: Day, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = day.server.blob("/slow.grib2", good_file(RUN, 7).content)
    monkeypatch.setattr(transfer, "SLOW_AFTER_S", 0.3)
    day.server.fault("/slow*", Fault.DRIP, seconds=0.02)  # fifty bytes a second
    began = time.monotonic()
    with client() as c, pytest.raises(Unreachable, match="too slow"):
        c.get(url, expect="grib")
    assert time.monotonic() - began < 3.0


@pytest.mark.parametrize("order", ["crop", "mirror"])
def test_a_service_that_crawls_is_one_sentence(
    day: Day, wx: Run, monkeypatch: pytest.MonkeyPatch, order: str
) -> None:
    day.write(order)
    monkeypatch.setattr(transfer, "SLOW_AFTER_S", 0.3)
    day.server.fault("/cgi/*", Fault.DRIP, seconds=0.02)
    day.server.fault("/mirror/*", Fault.DRIP, seconds=0.02)
    began = time.monotonic()
    code, out, err = wx("brief", *ASK)
    assert time.monotonic() - began < 15.0
    assert (code, out) == (3, "")
    assert "too slow" in err
    # One that is not there any more is not asked step by step.
    assert sum("f0" in path or "cgi" in path for path in day.server.paths()) < 10
    day.server.calm()
    assert grades(wx) == ALL_GO


# ---------------------------------------------------------------------- endless

# What the system calls the high-water mark of a process; that of getrusage begins with the size of
# whoever started it.
MEASURED = """
import re, sys
from pathlib import Path
from wxgate.cli import main, tools
tools.pause = lambda seconds: None
sys.argv = ["wxgate", *sys.argv[1:]]
try:
    main.run()
finally:
    told = Path("/proc/self/status").read_text()
    print("peak", re.search(r"VmHWM:\\s+(\\d+) kB", told)[1], file=sys.stderr)
"""


@pytest.mark.parametrize("start", [b"GRIB\0\0\0\2", b'{"a": [', b"1:0:d=2026061506:"])
@pytest.mark.parametrize("order", ["crop", "mirror"])
def test_a_server_that_never_ends_is_left_in_time_and_in_memory(
    day: Day, order: str, start: bytes
) -> None:
    sent = 0

    def endless(line: socket.socket) -> None:
        nonlocal sent
        line.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/octet-stream\r\n\r\n" + start)
        while True:
            line.sendall(b"1" * (1 << 16))
            sent += 1 << 16

    with raw_server(endless) as url:
        day.write(
            order,
            crop={"scripts": [f"{url}/filter"]},
            mirrors={"mirror": {"service": "bucket", "root": url}},
        )
        (day.config / "endpoints.yaml").write_text(
            (day.config / "endpoints.yaml").read_text().replace(day.server.url("/kp"), f"{url}/kp")
        )
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", MEASURED, *map(str, ("brief", *ASK))],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
    assert time.monotonic() - began < 60
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.count("wxgate: ") == 1
    peak = int(done.stderr.split("peak ")[1]) * 1024
    assert peak < 450e6
    # A few answers to the bound, not one for each step and run. 450 MB: libraries take half.
    assert sent < 200e6


# ---------------------------------------------------------------------- lengths


@pytest.mark.parametrize(("off", "told"), [(-40, "cut off|broke|damaged"), (40, "broke off")])
def test_a_wrong_content_length(day: Day, wx: Run, off: int, told: str) -> None:
    def answer(query: dict[str, str]) -> Response:
        good = day.nomads.answer(query)
        plain = Response(content=good) if isinstance(good, bytes) else good
        length = str(len(plain.content) + off)
        return Response(plain.status, plain.content, {**plain.headers, "Content-Length": length,
                                                      "Connection": "close"})  # fmt: skip

    day.server.handler("/cgi/filter", answer)
    code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert any(word in err for word in told.split("|")), err
    day.server.handler("/cgi/filter", day.nomads.answer)
    assert grades(wx) == ALL_GO


def test_a_mirror_that_packs_what_was_not_to_be_packed(day: Day, wx: Run) -> None:
    for order, path, told in (
        ("crop", "/cgi/*", "was not asked for"), ("mirror", "/mirror/*f0??", "range of"),
    ):  # fmt: skip
        day.write(order)
        day.server.fault(path, Fault.GZIP)
        code, out, err = wx("brief", *ASK)
        assert (code, out) == (3, "")
        assert told in err
        day.server.calm()


# ---------------------------------------------------------------------- someone else answers


@pytest.mark.parametrize("order", ["crop", "mirror"])
@pytest.mark.parametrize("redirected", [True, False])
def test_a_captive_portal_is_no_weather(day: Day, wx: Run, order: str, redirected: bool) -> None:
    assert grades(wx) == ALL_GO
    before = {p: p.read_bytes() for p in places.cache_folder().rglob("*") if p.is_file()}
    day.write(order)
    day.server.blob("/login", BLOCK_PAGE, content_type="text/html")
    if redirected:
        day.server.fault("/[!l]*", Fault.REDIRECT, location="/login")
    else:
        day.server.fault("/*", Fault.HTML)
    code, out, err = wx("brief", "--lat", 45.0, *ASK[2:])
    assert (code, out) == (3, "")
    assert "web page" in err or "redirect" in err
    # What was kept before is as it was, and still answers.
    assert all(p.read_bytes() == content for p, content in before.items() if p.suffix != ".json")
    day.write("crop")
    assert grades(wx, *ASK, "--offline") == ALL_GO


def test_names_that_cannot_be_looked_up(day: Day, wx: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(*_: object, **__: object) -> None:
        raise socket.gaierror(-3, "Temporary failure in name resolution")

    with monkeypatch.context() as patch:
        patch.setattr(socket, "getaddrinfo", nobody)
        code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert "name cannot be looked up" in err
    assert grades(wx) == ALL_GO


def test_a_circle_of_redirects_is_one_sentence(day: Day, wx: Run) -> None:
    day.server.fault("/*", Fault.REDIRECT_LOOP)
    code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert "redirect" in err
    assert len(day.server.requests) < 20


def test_a_cache_on_the_way_that_serves_yesterdays_sidecar_and_file(day: Day, wx: Run) -> None:
    """A proxy that answers for today's address with yesterday's upload: whole, of another run."""
    day.write("mirror")
    yesterday = RUN - timedelta(days=1)
    for step in range(15):
        from gfs_service import file_path

        old = good_file(yesterday, step)
        day.server.blob(f"/mirror{file_path(RUN, step)}", old.content)
        day.server.blob(f"/mirror{file_path(RUN, step)}.idx", old.sidecar.encode())
    code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert "of another run" in err


# ---------------------------------------------------------------------- this computer


def test_kill_9_leaves_a_cache_that_works(day: Day, wx: Run) -> None:
    # Each answer takes a while, so that the kill falls between the first and the last that is kept.
    day.server.fault("/cgi/*", Fault.LATENCY, seconds=0.15)
    process = subprocess.Popen(
        [sys.executable, "-m", "wxgate", *map(str, ("brief", *ASK))],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    deadline = time.monotonic() + 20
    while len(day.server.requests) < 5 and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    out, _ = process.communicate(timeout=20)
    assert (process.returncode, out) == (-signal.SIGKILL, "")
    day.server.calm()
    assert grades(wx) == ALL_GO
    assert wx("cache")[0] == 0


@pytest.mark.parametrize(
    ("run", "grade"),
    [
        ("2028-02-29T06", "go"),
        ("2028-02-28T18", "no-go"),  # over midnight into the 29th; dark, and nothing unknown
        ("2028-02-29T18", "no-go"),
        ("2027-02-28T18", "no-go"),
        ("2026-12-31T18", "no-go"),
    ],
)
def test_a_leap_day_and_a_new_year(day: Day, wx: Run, run: str, grade: str) -> None:
    began = datetime.fromisoformat(run).replace(tzinfo=UTC)
    now = began + timedelta(hours=5)
    day.serve(good_file(began, step) for step in range(15))
    day.server.blob(KP_FILE, kp_rows(now).encode(), content_type="application/json")
    ask = (*WHO, "--at", f"{now:%Y-%m-%dT%H:%MZ}", "--hours", HOURS)
    code, out, err = wx("brief", *ask, "--json")
    assert code == 0, err
    told = json.loads(out)["hours"]
    starts = [datetime.fromisoformat(hour["start"]) for hour in told]
    assert starts == [now + timedelta(hours=n) for n in range(HOURS)]
    assert [hour["grade"] for hour in told] == [grade] * HOURS
    assert f"run {began:%-d %b %H}Z" in " ".join(wx("brief", *ask)[1].split())


def test_reading_a_grib_file_leaves_nothing_beside_it(wx: Run, tmp_path: Path) -> None:
    file = tmp_path / "f.grib2"
    file.write_bytes(b"".join(good_file(RUN, step).content for step in range(4, 13)))
    (tmp_path / "f.grib2.idx").write_text("an index of something else")  # of another program
    grades(wx, *ASK, "--forecast", file)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f.grib2", "f.grib2.idx"]
    assert (tmp_path / "f.grib2.idx").read_text() == "an index of something else"


#: What ended, or never could be trusted, by the failure modes that users of libraries told of.
ENDED = (
    "odyssey", "thredds", "/dods", "opendap", "dataserver.php", "cgi-bin/data", "adds/",
    "kp.gfz-potsdam.de", "/weather/nwp/icon-eu/grib", "/weather/nwp/icon-d2/grib", "0p4-beta",
    "cloud base", "format=csv",
)  # fmt: skip


def test_services_and_fields_that_ended_are_not_asked() -> None:
    from wxgate.sources.endpoints import SHIPPED

    text = SHIPPED.read_text(encoding="utf-8").lower()
    lines = [line.split("#")[0] for line in text.splitlines()]
    assert not [word for word in ENDED if any(word in line for line in lines)]


def test_a_body_that_was_not_wanted_is_not_read_as_json() -> None:
    def talk(line: socket.socket) -> None:
        line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\n[1, 2, 3], 4]")

    with raw_server(talk) as url, client() as c:
        assert c.get(url, expect="json").content == b"[1, 2, 3]"

    def cut(line: socket.socket) -> None:
        line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\n[1, 2, 3]")

    with raw_server(cut) as url, client() as c, pytest.raises(WrongContent, match="not JSON"):
        c.get(url, expect="json")
