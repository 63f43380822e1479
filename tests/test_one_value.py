"""Contract: one value's way from bytes to mail is the one that DEVELOPERS.md tells.

One hour of an invented day, of which the gust alone rises with the steps, goes through the program;
the figures that are seen at each station must stand in the section that tells of them.
"""

from __future__ import annotations

import email
import json
import os
import re
from collections.abc import Callable
from datetime import timedelta
from email import policy
from pathlib import Path
from typing import Any

import bad_days
import gfs_service
import numpy as np
import pytest
from bad_days import NOW, RUN, SITE, Day
from local_server import LocalServer

from wxgate import places, store
from wxgate.forecast import Forecast, to_datetime64
from wxgate.grib import read_messages

pytestmark = pytest.mark.contract

STEP = 8
TOP = Path(__file__).resolve().parents[1]
SECTION = re.search(
    r"### One value's way\n(.*?)\n###? ", (TOP / "DEVELOPERS.md").read_text("utf-8"), re.S
)
WATCH = """
mail: {host: localhost, port: 2525, security: none, from: wxgate@example.org}
stale-after: 6 h
watches:
  - id: walk
    site: site.yaml
    aircraft: light-249g
    pilot: novice
    height: 60 m
    hours: 6
    minimum: 1
    to: [student@example.org]
    slots: [{days: every, from: 15:00, to: 16:00}]
    send: {change: true}
"""
SITE_FILE = f"""
site: {{id: walk, name: Walk field, latitude: {SITE[0]}, longitude: {SITE[1]},
       zone: Europe/London, altitude: 100 m, surface: short grass}}
"""


def told(text: str) -> None:
    """A figure, as it stands in the section."""
    assert SECTION is not None
    assert re.search(rf"(?<![\d.]){re.escape(text)}(?![\d])", SECTION[1]), text


def windy_file(run: Any, step: int) -> gfs_service.File:
    """The good day's file with a gust of 4 m/s and half as much again for each step."""
    calm = bad_days.good_file(run, step)
    shape = (gfs_service.LATITUDES.size, gfs_service.LONGITUDES.size)
    messages = tuple(
        (row, message)
        if row.element != "GUST"
        else (row, gfs_service.encode(
            row.numbers, row.surface, row.value, run, step, np.full(shape, 4 + 0.5 * step),
            north=90.0, west=0.0, cell=gfs_service.CELL, start=step,
        ))
        for row, message in calm.messages
    )  # fmt: skip
    return gfs_service.File(run, step, messages)


def at_step(stored: Forecast, name: str) -> list[str]:
    """A field's values at both ends of the hour."""
    at = int(np.flatnonzero(stored.time == to_datetime64(RUN + timedelta(hours=STEP)))[0])
    return [f"{value:.3f}" for value in stored.fields[name].values[at : at + 2]]


def test_the_way_is_as_it_is_told(wx: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(SITE_FILE)
    (tmp_path / "watch.yaml").write_text(WATCH)
    ask = (tmp_path / "site.yaml", "--aircraft", "light-249g", "--pilot", "novice", "--hours", 6,
           "--height", "60 m", "--at", f"{NOW:%Y-%m-%dT%H:%MZ}")  # fmt: skip
    with LocalServer() as server:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        day.serve(windy_file(RUN, step) for step in bad_days.STEPS)
        code, out, err = wx("brief", *ask, "--json")
        assert code == 0, err
        text = wx("brief", *ask)[1]
        code, _, err = wx("watch", tmp_path / "watch.yaml", "--dry-run", "--out", tmp_path / "out",
                          "--at", f"{NOW:%Y-%m-%dT%H:%MZ}")  # fmt: skip
        assert code == 0, err

    # bytes: the message, and the values in it
    message = next(m for row, m in windy_file(RUN, STEP).messages if row.element == "GUST")
    told(f"{float(read_messages(message)[0].values[0, 0]):.1f}")
    # derived and stored, both ends of the hour
    (kept,) = (places.cache_folder() / "hours").glob("*.json")
    stored = store.load(kept.parent, kept.stem)
    assert stored is not None
    for name in ("wind_speed", "wind_speed_at_flight_height", "gust_at_flight_height",
                 "gust_layer_maximum"):  # fmt: skip
        for value in at_step(stored.forecast, name):
            told(value)
    # the verdict: value, limit and margin of two rules
    start = (RUN + timedelta(hours=STEP)).isoformat().replace("+00:00", "Z")
    (hour,) = [h for h in json.loads(out)["hours"] if h["start"] == start]
    assert hour["grade"] == "no-go"
    by_rule = {reason["rule"]: reason for reason in hour["reasons"]}
    for rule in ("gust", "gust-on-the-way"):
        told(rule)
        for figure in ("value", "limit", "margin"):
            told(f"{by_rule[rule][figure]:.3f}".replace("-", "\N{MINUS SIGN}"))
    # the strip of the text, and the mail
    assert "no-go above 8.0" in SECTION[1]  # type: ignore[index]
    assert re.search(r"^gust +8 +9 +9 +10", text, re.M), text
    (mail,) = (tmp_path / "out").glob("*.eml")
    letter = email.message_from_bytes(mail.read_bytes(), policy=policy.default)
    body = letter.get_body(("plain",))
    assert body is not None
    told_why = " ".join(body.get_content().split())
    assert "strongest gust up to flight height 9.4 m/s at 15:00, no-go above 8.0 m/s" in told_why
    told(str(letter["subject"]).split(", Walk")[0])
