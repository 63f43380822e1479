"""Contract: the calendar file against RFC 5545 and 5546, read back by two other libraries.

The rules checked on the raw bytes are those of RFC 5545 (sections named beside each; from memory)
and of RFC 5546 for METHOD. The readers are vobject and ics; neither is used to write.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import ics
import pytest
import vobject
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wxgate.errors import UsageError
from wxgate.report import calendar as module
from wxgate.report.calendar import Changes, Slot, update_calendar
from wxgate.verdict import Grade

pytestmark = pytest.mark.contract

NOW = datetime(2026, 9, 15, 5, tzinfo=UTC)
START = datetime(2026, 9, 16, 9, tzinfo=UTC)
SLOT = Slot(
    key="ada", title="GO: first flight, Ada", start=START, end=START + timedelta(hours=1),
    grade=Grade.GO, text="Stop at 3.5 m/s; wind, gusts\nsecond line", place="Hollin Meadow",
    latitude=52.0, longitude=-1.5, recheck_at=START - timedelta(hours=15),
    decide_by=START - timedelta(hours=3),
)  # fmt: skip
HOSTILE = [
    "Ada\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:mine",
    "a\nATTACH:file:///etc/passwd",
    'semi;colon,comma\\back"quote:colon',
    "\x00\x01\x07\x1b[31mred\x7f",
    "‮gnitset‬ ​zero​width",
    "👩‍🚀" * 40,
    "ä" * 300,
    "\u2028\u2029\x85line",
    "",
    "   ",
]


class Desk:
    """A calendar file with its record, and what lies in it."""

    def __init__(self, folder: Path) -> None:
        self.path, self.record = folder / "plan.ics", folder / "state" / "calendar.json"

    def update(self, *slots: Slot, now: datetime = NOW, plan: str = "plan") -> Changes:
        return update_calendar(self.path, self.record, plan, slots, now=now)

    @property
    def events(self) -> list[dict[str, str]]:
        return events_of(self.path.read_bytes())

    @property
    def event(self) -> dict[str, str]:
        (only,) = self.events
        return only


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def check_bytes(content: bytes) -> list[str]:
    """The unfolded lines, after every rule that bytes can break."""
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b""), "a bare LF (3.1)"
    assert b"\r" not in content.replace(b"\r\n", b""), "a bare CR (3.1)"
    rows = content.split(b"\r\n")[:-1]
    assert all(0 < len(row) <= 75 for row in rows), "a line beyond 75 octets (3.1)"
    # Readers may unfold bytes or letters: a fold must not cut a letter in two.
    for row in rows:
        row.decode("utf-8")
    text = content.decode("utf-8").replace("\r\n ", "").replace("\r\n\t", "")
    lines = text.split("\r\n")[:-1]
    for line in lines:
        assert re.match(r"[A-Z0-9-]+(;[A-Z0-9-]+=[^;:]+)*:", line), line
        assert not re.search(r"[\x00-\x08\x0a-\x1f\x7f]", line), "a control character (3.1)"
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    open_parts: list[str] = []
    for line in lines:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            open_parts.append(value)
            assert open_parts in (["VCALENDAR"], ["VCALENDAR", "VEVENT"],
                                  ["VCALENDAR", "VEVENT", "VALARM"])  # fmt: skip
        elif name == "END":
            assert open_parts.pop() == value
    assert open_parts == []
    assert lines.count("VERSION:2.0") == 1
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    return lines


def events_of(content: bytes) -> list[dict[str, str]]:
    """Each event as its own properties; its alarms as ``alarm 0`` and so on."""
    found: list[dict[str, str]] = []
    alarms, inside = 0, ""
    for line in check_bytes(content):
        head, _, value = line.partition(":")
        name = head.partition(";")[0]
        if line == "BEGIN:VEVENT":
            found.append({})
            alarms = 0
        elif name in ("BEGIN", "END"):
            inside = value if name == "BEGIN" else ""
            alarms += line == "BEGIN:VALARM"
        elif inside == "VALARM":
            if name == "TRIGGER":
                # 3.8.6.3: an absolute trigger says that it is one, in UTC.
                assert head == "TRIGGER;VALUE=DATE-TIME"
                assert re.fullmatch(r"\d{8}T\d{6}Z", value)
                found[-1][f"alarm {alarms - 1}"] = value
        elif found:
            # 3.6.1: none of these may come twice.
            assert name not in found[-1], f"{name} a second time"
            found[-1][name] = value
    for event in found:
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "STATUS", "SUMMARY"} <= set(event)
        for name in ("DTSTAMP", "DTSTART", "DTEND", "CREATED", "LAST-MODIFIED"):
            assert re.fullmatch(r"\d{8}T\d{6}Z", event[name]), name
        assert "ORGANIZER" in event, "PUBLISH and CANCEL need an organizer (RFC 5546)"
    assert len({e["UID"] for e in found}) == len(found)
    return found


# ---------------------------------------------------------------------- one event


def test_a_new_event(desk: Desk) -> None:
    assert desk.update(SLOT) == Changes(new=("ada",))
    event = desk.event
    assert (event["DTSTART"], event["DTEND"]) == ("20260916T090000Z", "20260916T100000Z")
    assert (event["SEQUENCE"], event["STATUS"]) == ("0", "CONFIRMED")
    assert event["DTSTAMP"] == event["LAST-MODIFIED"] == event["CREATED"] == "20260915T050000Z"
    assert (event["alarm 0"], event["alarm 1"]) == ("20260915T180000Z", "20260916T060000Z")
    assert event["GEO"] == "52.0;-1.5"
    assert event["DESCRIPTION"] == "Stop at 3.5 m/s\\; wind\\, gusts\\nsecond line"
    assert b"METHOD:PUBLISH\r\n" in desk.path.read_bytes()


def test_read_by_vobject(desk: Desk) -> None:
    desk.update(SLOT)
    read = vobject.readOne(desk.path.read_bytes().decode("utf-8"))
    assert read.method.value == "PUBLISH"
    event = read.vevent
    assert event.summary.value == SLOT.title
    assert event.description.value == SLOT.text
    assert (event.dtstart.value, event.dtend.value) == (SLOT.start, SLOT.end)
    assert event.dtstart.value.utcoffset() == timedelta(0)
    triggers = [alarm.trigger.value for alarm in event.valarm_list]
    assert triggers == [SLOT.recheck_at, SLOT.decide_by]
    assert all(alarm.action.value == "DISPLAY" for alarm in event.valarm_list)


def test_read_by_ics(desk: Desk) -> None:
    desk.update(SLOT, replace(SLOT, key="bo", title="Bo", start=START + timedelta(hours=2),
                              end=START + timedelta(hours=3)))  # fmt: skip
    read = ics.Calendar(desk.path.read_bytes().decode("utf-8"))
    events = sorted(read.events, key=lambda e: e.begin)
    assert [e.name for e in events] == [SLOT.title, "Bo"]
    assert events[0].begin.datetime == SLOT.start
    assert events[0].end.datetime == SLOT.end
    assert events[0].description == SLOT.text
    assert {a.trigger for a in events[0].alarms} == {SLOT.recheck_at, SLOT.decide_by}
    assert events[0].status == "CONFIRMED"


def test_a_marginal_slot_is_tentative(desk: Desk) -> None:
    desk.update(replace(SLOT, grade=Grade.MARGINAL))
    assert desk.event["STATUS"] == "TENTATIVE"


@pytest.mark.parametrize("grade", [Grade.UNKNOWN, Grade.NO_GO])
def test_what_cannot_be_flown_is_never_issued(desk: Desk, grade: Grade) -> None:
    with pytest.raises(UsageError, match="cannot be offered"):
        desk.update(replace(SLOT, grade=grade))
    assert not desk.path.exists()


# ---------------------------------------------------------------------- change


def test_a_plan_that_names_another_file_gets_that_file(desk: Desk) -> None:
    desk.update(SLOT)
    before, desk.path = desk.path, desk.path.with_name("other.ics")
    assert not desk.update(SLOT)  # nothing changed, but the new file must hold it
    assert desk.event["UID"] == events_of(before.read_bytes())[0]["UID"]


def test_nothing_changes_without_a_change(desk: Desk) -> None:
    desk.update(SLOT)
    before = desk.path.read_bytes(), desk.record.read_bytes()
    later = NOW + timedelta(hours=6)
    assert desk.update(SLOT, now=later) == Changes(same=("ada",))
    assert (desk.path.read_bytes(), desk.record.read_bytes()) == before
    # The same instants told in another zone are no change either.
    east = timezone(timedelta(hours=9))
    moved = replace(SLOT, start=SLOT.start.astimezone(east), end=SLOT.end.astimezone(east))
    assert not desk.update(moved, now=later)


@pytest.mark.parametrize(
    "change",
    [
        {"start": START - timedelta(hours=1)}, {"end": START + timedelta(hours=2)},
        {"grade": Grade.MARGINAL}, {"place": "Elsewhere"}, {"decide_by": None},
        {"recheck_at": START - timedelta(hours=14)}, {"latitude": 53.0},
    ],
)  # fmt: skip
def test_a_change_raises_the_sequence_of_the_same_event(desk: Desk, change: dict) -> None:
    desk.update(SLOT)
    first = desk.event
    later = NOW + timedelta(hours=1)
    assert desk.update(replace(SLOT, **change), now=later) == Changes(changed=("ada",))
    second = desk.event
    assert second["UID"] == first["UID"]
    assert (first["SEQUENCE"], second["SEQUENCE"]) == ("0", "1")
    assert second["LAST-MODIFIED"] == second["DTSTAMP"] == "20260915T060000Z"
    assert second["CREATED"] == first["CREATED"]


@pytest.mark.parametrize("change", [{"text": "other"}, {"title": "other"}])
def test_other_words_are_a_later_version_of_the_same_sequence(desk: Desk, change: dict) -> None:
    desk.update(SLOT)
    assert desk.update(replace(SLOT, **change), now=NOW + timedelta(hours=1)).changed
    assert desk.event["SEQUENCE"] == "0"
    assert desk.event["LAST-MODIFIED"] == "20260915T060000Z"


def test_a_slot_that_goes_is_cancelled_and_can_come_back(desk: Desk) -> None:
    desk.update(SLOT)
    uid = desk.event["UID"]
    assert desk.update() == Changes(cancelled=("ada",))
    gone = desk.event
    assert (gone["UID"], gone["SEQUENCE"], gone["STATUS"]) == (uid, "1", "CANCELLED")
    assert gone["SUMMARY"].startswith("CANCELLED")
    assert "alarm 0" not in gone, "a cancelled event rings no alarm"
    assert b"METHOD:CANCEL\r\n" in desk.path.read_bytes()
    assert not desk.update(), "cancelled once"
    assert desk.event["SEQUENCE"] == "1"
    desk.update(SLOT)
    back = desk.event
    assert (back["UID"], back["SEQUENCE"], back["STATUS"]) == (uid, "2", "CONFIRMED")
    assert b"METHOD:PUBLISH\r\n" in desk.path.read_bytes()


def test_one_goes_and_one_stays(desk: Desk) -> None:
    other = replace(SLOT, key="bo", title="Bo")
    desk.update(SLOT, other)
    assert desk.update(other) == Changes(cancelled=("ada",), same=("bo",))
    assert sorted(e["STATUS"] for e in desk.events) == ["CANCELLED", "CONFIRMED"]
    assert b"METHOD:PUBLISH\r\n" in desk.path.read_bytes()


def test_a_lesson_that_has_begun_stays_as_it_was(desk: Desk) -> None:
    desk.update(SLOT)
    under_way = START + timedelta(minutes=5)
    assert not desk.update(now=under_way)
    assert not desk.update(replace(SLOT, start=under_way), now=under_way)
    assert (desk.event["STATUS"], desk.event["SEQUENCE"]) == ("CONFIRMED", "0")


def test_the_next_lesson_of_the_same_pupil_is_a_new_event(desk: Desk) -> None:
    desk.update(SLOT)
    first = desk.event["UID"]
    after = SLOT.end + timedelta(hours=1)
    week = timedelta(days=7)
    again = replace(SLOT, start=START + week, end=SLOT.end + week)
    assert desk.update(again, now=after) == Changes(new=("ada",))
    uids = {e["UID"]: e for e in desk.events}
    assert len(uids) == 2
    assert uids.pop(first)["STATUS"] == "CONFIRMED"
    # Long after, when the first one has gone from the file, no UID comes back.
    assert desk.update(replace(again, text="x"), now=after + timedelta(days=4)).changed
    assert [e["UID"] for e in desk.events] == list(uids)
    much_later = after + timedelta(days=60)
    late = replace(SLOT, start=much_later + week, end=much_later + 2 * week)
    assert desk.update(late, now=much_later).new
    assert desk.event["UID"] not in {first, *uids}


def test_plans_and_pupils_have_events_of_their_own(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    for number, (plan, key) in enumerate((("a", "b/c"), ("a/b", "c"), ("a", "b"), ("", "a b/c"))):
        desk.path = tmp_path / f"{number}.ics"
        desk.update(replace(SLOT, key=key), plan=plan)
    uids = {e["UID"] for n in range(4) for e in events_of((tmp_path / f"{n}.ics").read_bytes())}
    assert len(uids) == 4


def test_two_plans_share_a_file(desk: Desk) -> None:
    desk.update(SLOT, plan="one")
    desk.update(replace(SLOT, title="Bo"), plan="two")
    assert {e["SUMMARY"] for e in desk.events} == {SLOT.title.replace(",", "\\,"), "Bo"}
    desk.update(plan="one")
    assert sorted(e["STATUS"] for e in desk.events) == ["CANCELLED", "CONFIRMED"]


def test_a_file_that_is_gone_or_was_touched_is_written_again(desk: Desk) -> None:
    desk.update(SLOT)
    event = desk.event
    desk.path.unlink()
    assert not desk.update(SLOT)
    assert desk.event == event
    desk.path.write_bytes(desk.path.read_bytes()[:-20])
    assert not desk.update(SLOT)
    assert desk.event == event


def test_a_run_that_dies_between_record_and_calendar_is_made_good(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.update(SLOT)

    def dies(path: Path, content: bytes) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "write_whole", dies)
    with pytest.raises(KeyboardInterrupt):
        desk.update()
    assert desk.event["STATUS"] == "CONFIRMED"
    monkeypatch.undo()
    assert not desk.update()
    assert (desk.event["STATUS"], desk.event["SEQUENCE"]) == ("CANCELLED", "1")


# ---------------------------------------------------------------------- hostile text


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names(desk: Desk, name: str) -> None:
    desk.update(replace(SLOT, key=name, title=name, text=name, place=name), plan=name)
    event = desk.event
    assert event["DTSTART"] == "20260916T090000Z"
    assert set(event) <= {
        "UID", "DTSTAMP", "CREATED", "LAST-MODIFIED", "SEQUENCE", "DTSTART", "DTEND", "STATUS",
        "SUMMARY", "DESCRIPTION", "LOCATION", "GEO", "ORGANIZER", "TRANSP", "alarm 0", "alarm 1",
    }  # fmt: skip
    read = vobject.readOne(desk.path.read_bytes().decode("utf-8"))
    assert len(read.vevent_list) == 1
    assert len(read.vevent.summary.value) <= module.LONGEST_TITLE


@settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.text(max_size=400), st.text(max_size=400))
def test_any_text(tmp_path: Path, title: str, text: str) -> None:
    record = tmp_path / "record.json"
    record.unlink(missing_ok=True)
    slot = replace(SLOT, title=title, text=text)
    update_calendar(tmp_path / "x.ics", record, "plan", [slot], now=NOW)
    content = (tmp_path / "x.ics").read_bytes()
    (event,) = events_of(content)
    assert not update_calendar(tmp_path / "x.ics", record, "plan", [slot], now=NOW)
    told = vobject.readOne(content.decode("utf-8")).vevent
    assert told.summary.value == module.plain(title, module.LONGEST_TITLE)
    if "DESCRIPTION" in event:
        assert told.description.value == module.plain(text, module.LONGEST_TEXT, lines=True)


# ---------------------------------------------------------------------- the files


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"\xff\xfe", b'{"format": 1, "plans": {}}',
     b'{"format": 2, "plans": {}, "files": {}}',
     b'{"format": 1, "plans": {"p": {"file": "", "events": [{"uid": "x"}]}}, "files": {}}',
     b'{"format": 1, "plans": {"p": 3}, "files": {}}',
     b'{"format": 1, "plans": {"p": {"events": []}}, "files": {}}',
     b"[" * 100_000],
)  # fmt: skip
def test_a_damaged_record_is_refused_and_nothing_is_written(desk: Desk, content: bytes) -> None:
    desk.update(SLOT)
    calendar = desk.path.read_bytes()
    desk.record.write_bytes(content)
    with pytest.raises(UsageError, match="record") as told:
        desk.update(replace(SLOT, title="other"))
    assert str(desk.record) in str(told.value)
    assert (desk.path.read_bytes(), desk.record.read_bytes()) == (calendar, content)


def test_a_field_of_a_wrong_kind_in_the_record_is_refused(desk: Desk) -> None:
    desk.update(SLOT)
    whole = json.loads(desk.record.read_bytes())
    for name in list(whole["plans"]["plan"]["events"][0]):
        broken = json.loads(desk.record.read_bytes())
        broken["plans"]["plan"]["events"][0][name] = {"a": []}
        desk.record.write_text(json.dumps(broken))
        with pytest.raises(UsageError, match="record"):
            desk.update(SLOT)
        desk.record.write_text(json.dumps(whole))


def test_a_write_that_fails_leaves_the_old_file(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.update(SLOT)
    before = desk.path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UsageError, match="No space left"):
        desk.update(replace(SLOT, place="Elsewhere"))
    assert desk.path.read_bytes() == before
    assert [p.name for p in desk.path.parent.glob(".*")] == []
    monkeypatch.undo()
    desk.update(replace(SLOT, place="Elsewhere"))
    assert desk.event["SEQUENCE"] == "1"


def test_another_programs_calendar_is_left_alone(desk: Desk) -> None:
    """One's own appointments, in the file that was named by mistake or to be added to."""
    content = b"BEGIN:VCALENDAR\r\nPRODID:-//invented//diary//EN\r\nEND:VCALENDAR\r\n"
    desk.path.write_bytes(content)
    with pytest.raises(UsageError, match="another program's"):
        desk.update(SLOT)
    assert desk.path.read_bytes() == content
    desk.path.unlink()
    desk.update(SLOT)
    desk.record.unlink()  # the record was lost, and the calendar is ours
    desk.update(SLOT)
    assert desk.event["SEQUENCE"] == "0"


def test_a_folder_in_place_of_the_file_is_told(desk: Desk) -> None:
    desk.path.mkdir()
    with pytest.raises(UsageError, match="cannot be written"):
        desk.update(SLOT)


@pytest.mark.parametrize(
    "slots",
    [
        [SLOT, SLOT],
        [replace(SLOT, end=SLOT.start)],
        [replace(SLOT, start=SLOT.start.replace(tzinfo=None), end=SLOT.end.replace(tzinfo=None))],
        [replace(SLOT, decide_by=datetime(2026, 9, 16))],  # noqa: DTZ001
    ],
)
def test_slots_that_make_no_sense_are_refused(desk: Desk, slots: list[Slot]) -> None:
    with pytest.raises(UsageError):
        desk.update(*slots)
    assert not desk.record.exists()


WRITER = """\
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from wxgate.report.calendar import Slot, update_calendar
from wxgate.verdict import Grade
folder, me = Path(sys.argv[1]), int(sys.argv[2])
now = datetime(2026, 9, 15, 5, tzinfo=UTC)
start = datetime(2026, 9, 16, 9, tzinfo=UTC)
for turn in range(8):
    slot = Slot("k", f"{me}", start, start + timedelta(minutes=10 + 10 * turn + me), Grade.GO)
    update_calendar(folder / "one.ics", folder / "r.json", "shared", [slot], now=now)
    update_calendar(folder / f"{me}.ics", folder / "r.json", f"own {me}", [slot], now=now)
"""


def test_runs_at_the_same_time(tmp_path: Path) -> None:
    runs = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), str(n)]) for n in range(4)
    ]
    assert [run.wait(60) for run in runs] == [0] * 4
    plans = json.loads((tmp_path / "r.json").read_bytes())["plans"]
    assert set(plans) == {"shared", *(f"own {n}" for n in range(4))}
    # Not one change was lost: 8 of each own plan, 32 of the shared one (each differs in its end
    # from whatever came before it).
    assert [plans[f"own {n}"]["events"][0]["sequence"] for n in range(4)] == [7] * 4
    assert plans["shared"]["events"][0]["sequence"] == 31
    (event,) = events_of((tmp_path / "one.ics").read_bytes())
    assert event["SEQUENCE"] == "31"
    assert list(tmp_path.glob(".*")) == []
