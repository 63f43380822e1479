"""Law: over ten days of hourly runs with changing weather and faults, the mails are those due.

What is due is told a second time here, by a plain model written apart from wxgate (``Expected``):
it walks local wall-clock hours with a table of its own, knows nothing of keys, outbox or sqlite,
and shares with the program only the words of the contract in the README. The mails are taken from
a real server and read by the standard library. The ten days hold the end of summer time.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from smtp_server import MailServer
from watch_world import WATCH, seen_by, write

from wxgate.cli import watching, watchjob
from wxgate.errors import WxgateError
from wxgate.report.words import CAUTIONS
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

LONDON = ZoneInfo("Europe/London")
HOUR = timedelta(hours=1)
FIRST = datetime(2026, 10, 19, 5, 10, tzinfo=UTC)
RUNS = 240
AHEAD = 36
SLOTS = [(range(7), 10, 12), ((2, 6), 15, 17)]  # every day; Wednesday and Sunday
FIXED = (6, 20)
QUIET = (22, 5)
BREAK = 12
STALE = 6

Told = tuple[str, ...]


@dataclass
class World:
    """Weather that changes from run to run, and what fails when."""

    seed: int
    grades: list[dict[datetime, str]] = field(default_factory=list)
    forecast_fails: list[bool] = field(default_factory=list)
    mail_fails: list[bool] = field(default_factory=list)

    def __post_init__(self) -> None:
        chance = random.Random(self.seed)
        start = FIRST.replace(minute=0)
        current = {start + n * HOUR: "go" for n in range(RUNS + AHEAD + 2)}
        fails_until = down_until = -1
        for n in range(RUNS):
            if chance.random() < 0.25:  # a new run of the model: some stretches change
                for _ in range(4):
                    at = start + chance.randrange(RUNS + AHEAD) * HOUR
                    word = chance.choice(["go", "go", "marginal", "no-go", "no-go", "unknown"])
                    for k in range(chance.randrange(3, 30)):
                        current[at + k * HOUR] = word
            if n > fails_until and chance.random() < 0.04:
                fails_until = n + chance.choice([0, 1, 9, 12])
            if n > down_until and chance.random() < 0.05:
                down_until = n + chance.choice([0, 2, 5])
            self.grades.append(dict(current))
            self.forecast_fails.append(n <= fails_until)
            self.mail_fails.append(n <= down_until)


WORST = ["go", "marginal", "unknown", "no-go"]


#: What is told (by the name of the thing, as it reads), and what is known once it was.
Item = tuple[object, Told, Callable[[], None]]


@dataclass
class Expected:
    """The plain model: what one recipient knows, and which mails they must get at each run."""

    world: World
    knows: dict[object, str] = field(default_factory=dict)
    last_fresh: datetime = FIRST
    #: Mails that could not be handed in: when they were made, and what they tell.
    waiting: list[tuple[datetime, list[Item]]] = field(default_factory=list)

    def at(self, n: int) -> list[set[Told]]:
        """The mails of run n: those that get through, or would if the server were there."""
        now, fails = FIRST + n * HOUR, self.world.forecast_fails[n]
        due = self.due(now, fails, self.world.grades[n])
        mails = []
        for made, items in self.waiting:
            names = {name: told for name, told, _ in items}
            if now - made >= 3 * HOUR:
                continue
            if names == {name: told for name, told, _ in due}:
                mails.append((made, items))
                due = []
            elif fails and any(told[0] == "slot" for told in names.values()):
                # The change was seen when the forecast could be had, so it is told, unless the
                # quiet hours began since, or something else in that mail is no longer so.
                still = all(told[0] == "slot" or (name, told) in [d[:2] for d in due]
                            for name, told in names.items())  # fmt: skip
                if still and (quiet(made) or not quiet(now)):
                    mails.append((made, items))
                    due = [d for d in due if d[0] not in names]
        if due:
            mails.append((now, due))
        if self.world.mail_fails[n]:
            self.waiting = mails
        else:
            self.waiting = []
            for _, items in mails:
                for _, _, learn in items:
                    learn()
        return [{told for _, told, _ in items} for _, items in mails]

    def due(self, now: datetime, fails: bool, grades: dict[datetime, str]) -> list[Item]:
        local = now.astimezone(LONDON)
        reached = [now.replace(minute=0) + k * HOUR for k in range(AHEAD)]
        fresh = not fails and any(grades[h] != "unknown" for h in reached)
        if fresh:
            self.last_fresh = now
        found: list[Item] = []

        def tell(name: object, told: Told, known: str) -> None:
            found.append((name, told, lambda: self.knows.update({name: known})))

        # Stale, and fresh again.
        if fresh and self.knows.get("stale", "fresh") != "fresh" and not quiet(now):
            tell("stale", ("fresh",), "fresh")
        too_old = not fresh and now - self.last_fresh >= STALE * HOUR
        if too_old and self.knows.get("stale") != str(self.last_fresh) and not quiet(now):
            tell("stale", ("stale",), str(self.last_fresh))

        # Slots.
        for ahead in range(0 if fails else 3):
            day = local.date() + timedelta(days=ahead)
            for days, begins, ends in SLOTS:
                start, end = (
                    datetime.combine(day, time(h), LONDON).astimezone(UTC) for h in (begins, ends)
                )
                if day.weekday() not in days or end <= now or end > reached[-1] + HOUR:
                    continue
                left = [h for h in reached if start <= h < end]
                word = max((grades[h] for h in left), key=WORST.index)
                was = self.knows.get(start)
                better = was is not None and WORST.index(word) < WORST.index(was)
                if word == was or (start <= now and better):
                    continue
                urgent = word == "no-go" and was in ("go", "marginal")
                if quiet(now) and not (urgent and start - now <= BREAK * HOUR):
                    continue
                when = f"{day:%a} {day.day} {day:%b} {begins:02d}:00-{ends:02d}:00"
                tell(start, ("slot", when, word, was or "first"), word)

        # Fixed times: what passed in the last day and was not had.
        for back in (0, 1):
            for hour in FIXED:
                day = local.date() - timedelta(days=back)
                moment = datetime.combine(day, time(hour), LONDON).astimezone(UTC)
                had = self.knows.get((day, hour))
                if quiet(now) or not max(now - 24 * HOUR, FIRST) < moment <= now:
                    continue
                if had != "with verdict" and not (had and fails):
                    how = "without verdict" if fails else "with verdict"
                    tell((day, hour), ("fixed", how), how)
        return found


def quiet(now: datetime) -> bool:
    hour = now.astimezone(LONDON).hour
    return hour >= QUIET[0] or hour < QUIET[1]


NEWS = re.compile(
    r"(GO|MARGINAL|NO-GO|UNKNOWN) (.+?)(?: (?:BST|GMT|BST/GMT))?, The field(?:: (.+))?$"
)


def read(text: str) -> set[Told]:
    """The news lines of a mail's text part, up to the first brief."""
    told: set[Told] = set()
    head = re.sub(r"\r?\n  (?! )", " ", text.split("-" * 20)[0])  # lines that were wrapped
    for line in head.splitlines():
        if not line or line.startswith((" ", "Sent by")) or line in CAUTIONS:
            continue
        if line.startswith("NO FRESH VERDICT"):
            told.add(("stale",))
        elif line.startswith("NO VERDICT"):
            told.add(("fixed", "without verdict"))
        else:
            found = NEWS.match(line)
            assert found, line
            if found[3] is None:
                told.add(("fixed", "with verdict"))
            elif found[3] == "verdicts are fresh again":
                told.add(("fresh",))
            else:
                was = found[3].removeprefix("was ").lower()
                told.add(("slot", found[2], found[1].lower(), was.split(" ")[0]))
    return told


@pytest.mark.parametrize("seed", [1, 2])
def test_ten_days(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wxgate.report.plots.inline_png", lambda *_, **__: b"\x89PNG invented")
    world, kinds, ids = World(seed), set[str](), list[str]()
    slots = """\
    slots:
      - {days: every, from: 10:00, to: 12:00}
      - {days: [wed, sun], from: 15:00, to: 17:00}
    quiet: {from: 22:00, to: 05:00, break-within: 12 h}
"""
    watches = WATCH.format(
        id="w", site="field", hours=AHEAD, to="pilot@example.org",
        send="{change: true, at: [20:00, 06:00]}",
    ) + slots  # fmt: skip
    with MailServer() as box:
        config = write(tmp_path, box, watches, stale=f"{STALE} h")
        base = watchjob.read_job(config, now=FIRST, rules=None, demo=False, offline=False)
        expected = Expected(world)
        for n in range(RUNS):
            job = replace(base, now=FIRST + n * HOUR)
            grades = world.grades[n]
            grade_of = (
                None if world.forecast_fails[n] else lambda h, g=grades: Grade.from_word(g[h])
            )
            monkeypatch.setattr(
                watching, "look", lambda job, g=grade_of: [
                    seen_by(job, job.settings.watches[0], g)
                ],
            )  # fmt: skip
            if n and world.mail_fails[n] != world.mail_fails[n - 1]:
                box.stop() if world.mail_fails[n] else box.start()
            elif n == 0 and world.mail_fails[0]:
                box.stop()
            due = expected.at(n)
            box.mails.clear()
            fault = ""
            try:
                watching.run(job)
            except WxgateError as error:
                fault = str(error)
            fails = world.forecast_fails[n] or (bool(due) and world.mail_fails[n])
            assert bool(fault) == fails, f"run {n}: {fault}"
            if world.mail_fails[n]:
                assert not box.mails
                continue
            got = [read(m.message.get_body(("plain",)).get_content()) for m in box.mails]  # type: ignore[union-attr]
            assert sorted(map(sorted, got)) == sorted(map(sorted, due)), f"run {n}, {job.now}"
            kinds |= {told[0] for mail in due for told in mail}
            ids += [m.message["Message-ID"] for m in box.mails]
        if world.mail_fails[-1]:
            box.start()
    assert kinds == {"slot", "fixed", "stale", "fresh"}, "the days must try every kind"
    assert len(set(ids)) == len(ids) > 30
