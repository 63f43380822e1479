"""One run: what each recipient is told, put in the outbox; then the outbox handed to the server."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeAlias

from wxgate.errors import MailError
from wxgate.smtp import Connection, Reply
from wxgate.watch.due import Due, News, Past, Seen, due
from wxgate.watch.state import Mail, State

#: A mail on its way is sent as it is for so long; then it is written anew with the newest state.
AS_IT_IS = timedelta(hours=3)
#: A server that ends the connection is called again so often in one run.
CALLS = 3
#: Mail that a server refused for good is told again to whoever runs the watch.
REPORT_EVERY = timedelta(hours=24)

Items: TypeAlias = Sequence[tuple[Seen, Sequence[News]]]
#: (recipient, items) to the whole message; None when it cannot be written, which is told elsewhere.
Compose: TypeAlias = Callable[[str, Items], bytes | None]


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of the outbox."""

    accepted: int = 0
    faults: tuple[str, ...] = ()


def plan(
    state: State,
    found: Sequence[Seen],
    *,
    now: datetime,
    stale_after: timedelta,
    compose: Compose,
) -> None:
    """Put into the outbox what every recipient is to be told now; all of it, or nothing.

    What still waits there is kept where it says just that, and replaced where it does not.
    """
    with state.transaction():
        times = {}
        for seen in found:
            first, fresh = state.seen(seen.prefix, now)
            if seen.is_fresh:
                state.note_fresh(seen.prefix, now)
                fresh = now
            times[seen.prefix] = first, fresh
        waiting: dict[str, list[Mail]] = {}
        for mail in state.outbox():
            waiting.setdefault(mail.recipient, []).append(mail)
        people = dict.fromkeys(to for seen in found for to in seen.watch.to)
        for gone in waiting.keys() - people.keys():
            state.drop(waiting[gone])
        for recipient in people:
            told, doubtful = state.told(recipient)
            news: list[tuple[Seen, Sequence[News]]] = []
            for seen in found:
                if recipient in seen.watch.to:
                    past = Past(*times[seen.prefix], told, doubtful)
                    new: Due = due(seen, past, now, stale_after)
                    state.note(recipient, new.noted, now)
                    if new.news:
                        news.append((seen, new.news))
            left = _beside(state, waiting.get(recipient, ()), news, found, now)
            content = compose(recipient, left) if left else None
            if content is not None:
                state.put(recipient, _effects(left), content, now)
        state.prune(now)


def _effects(items: Items) -> dict[str, str]:
    return {n.key: n.value for _, news in items for n in news}


def _beside(
    state: State, waiting: Sequence[Mail], news: Items, found: Sequence[Seen], now: datetime
) -> Items:
    """The news that no waiting mail tells; waiting mails that tell something else are dropped."""
    effects = _effects(news)
    for mail in waiting:
        is_new = timedelta(0) <= now - mail.made < AS_IT_IS
        if mail.effects == effects and (is_new or mail.refused is not None):
            return ()
        if is_new and mail.refused is None and _may_still_hold(mail, effects, found, now):
            news = [
                (seen, rest)
                for seen, each in news
                if (rest := [n for n in each if n.key not in mail.effects])
            ]
        else:
            state.drop([mail])
    return news


def _may_still_hold(
    mail: Mail, effects: Mapping[str, str], found: Sequence[Seen], now: datetime
) -> bool:
    """Whether a mail tells a change of a watch that has no verdict now, and is not contradicted.

    What was seen an hour ago is better told than kept, but not into quiet hours begun since.
    """
    blind = {
        key
        for seen in found
        if seen.brief is None and (seen.is_quiet(mail.made) or not seen.is_quiet(now))
        for key in mail.effects
        if seen.cannot_tell(key)
    }
    return bool(blind) and all(
        key in blind or effects.get(key) == value for key, value in mail.effects.items()
    )


def send(
    state: State, connect: Callable[[], AbstractContextManager[Connection]], now: datetime
) -> Sent:
    """Hand the outbox to the server; what is not taken stays for the next run.

    Never raises for what a server does: its words are in the faults.
    """
    left = [mail for mail in state.outbox() if mail.refused is None]
    accepted, faults = 0, list[str]()
    for _ in range(CALLS):
        if not left:
            break
        try:
            with connect() as connection:
                while left:
                    mail = left.pop(0)
                    state.begin(mail, now)
                    delivery = connection.deliver(mail.recipient, mail.content)
                    accepted += _settle(state, mail, delivery.reply, delivery.told, now, faults)
                    if delivery.over:
                        break
        except MailError as error:
            faults.append(f"{error}")
            break
    if left:
        told = "1 mail waits" if len(left) == 1 else f"{len(left)} mails wait"
        faults.append(f"{told} for the next run")
    return Sent(accepted, tuple(faults))


def _settle(
    state: State, mail: Mail, reply: Reply, told: str, now: datetime, faults: list[str]
) -> int:
    match reply:
        case Reply.ACCEPTED:
            state.accepted(mail, now)
            return 1
        case Reply.REFUSED:
            state.not_sent(mail, now, refused=told)
            faults.append(f"mail to {mail.recipient} was refused for good ({told})")
        case Reply.LATER:
            state.not_sent(mail, now)
            faults.append(f"mail to {mail.recipient} was not taken yet ({told}); it is tried again")
        case Reply.UNSURE:
            faults.append(
                f"whether mail to {mail.recipient} was taken is not known ({told});"
                " it is sent again with the same Message-ID"
            )
    return 0


def refused_before(state: State, now: datetime) -> list[str]:
    """A reminder, once a day, of mail that was refused for good."""
    with state.transaction():
        return [
            f"mail to {mail.recipient} still stands refused ({mail.refused})"
            for mail in state.to_report(now, REPORT_EVERY)
        ]


def heartbeat(
    before: str | None, *, now: datetime, found: Sequence[Seen], faults: Sequence[str], waiting: int
) -> str:
    """The heartbeat file: when a run last went through, and what was wrong with this one.

    ``before`` is the text of the file as it was. JSON; times are UTC.
    """
    success: str | None = now.isoformat(timespec="seconds")
    if faults:
        try:
            success = json.loads(before or "")["last_success"]
        except (ValueError, KeyError, TypeError, RecursionError):
            success = None
    told = {
        "last_run": now.isoformat(timespec="seconds"),
        "last_success": success,
        "ok": not faults,
        "faults": list(faults),
        "mails_waiting": waiting,
        "watches": {
            seen.watch.id: {
                "grade": None if seen.brief is None else seen.brief.grade.word,
                "fresh": seen.is_fresh,
                "fault": seen.fault or None,
            }
            for seen in found
        },
    }
    return json.dumps(told, indent=1, ensure_ascii=False) + "\n"
