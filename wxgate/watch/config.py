"""The watch file: YAML to frozen records, every fault with file:line:column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from pathlib import Path
from typing import Any

from wxgate.errors import UsageError
from wxgate.smtp import Security, Server, is_loopback
from wxgate.strictyaml import Faults, Node
from wxgate.watch.readers import Named, address, host, named, variable
from wxgate.yamlkeys import (
    Figure,
    Reader,
    boolean_of,
    choice_of,
    clock_of,
    days_of,
    figure_of,
    list_of,
    read_file,
    read_keys,
    record_of,
    text_of,
    whole_of,
    word_of,
)

MOST_HOURS = 240  #: as for a brief
MOST_LAGGED = 4  #: as for a brief


@dataclass(frozen=True, slots=True)
class LocalSlot:
    """A stretch of local time on certain days of the week, [start, end)."""

    days: frozenset[int]  #: 0 is Monday
    start: time
    end: time


@dataclass(frozen=True, slots=True)
class Quiet:
    """Local hours, [start, end), often over midnight, in which changes are collected."""

    start: time
    end: time
    break_within: float | None = (
        None  #: s: a turn to no-go of a slot this near is told all the same
    )

    def __contains__(self, at: time) -> bool:
        if self.start <= self.end:
            return self.start <= at < self.end
        return at >= self.start or at < self.end


@dataclass(frozen=True, slots=True)
class Send:
    """When to send."""

    change: bool = False  #: of the verdict of a watched slot
    window: bool = False  #: when a window of a day opens, closes, moves or changes its grade
    at: tuple[time, ...] = ()  #: local times of each day


@dataclass(frozen=True, slots=True)
class Watch:
    """One thing to watch: who flies what where, which slots, and whom to tell what."""

    id: str
    site: Named
    aircraft: Named
    pilot: Named
    height: float  #: m above ground
    hours: int
    to: tuple[str, ...]
    send: Send
    slots: tuple[LocalSlot, ...] = ()
    minimum: int = 1  #: h, the shortest window
    sources: tuple[str, ...] = ()
    quiet: Quiet | None = None
    display: tuple[tuple[str, str], ...] = ()
    grade_by: str = "limits"  #: or chance
    chances: Named | None = None  #: a file, as seen from the watch file
    bias: Named | None = None
    lagged: int = 0  #: earlier runs


@dataclass(frozen=True, slots=True)
class Settings:
    """The whole file."""

    path: Path
    server: Server
    password_env: str | None
    password_file: Path | None
    stale_after: float  #: s without a fresh verdict, after which that is told
    watches: tuple[Watch, ...]

    @property
    def recipients(self) -> tuple[str, ...]:
        """Every address that a watch names, once."""
        return tuple(dict.fromkeys(to for watch in self.watches for to in watch.to))


def load_settings(path: Path) -> Settings:
    """The settings of a watch file; UsageError with every fault and its place."""
    keys = {
        "mail": _mail(path.parent),
        "stale-after": figure_of(Figure("s", 3600, 7 * 86400)),
        "watches": list_of(_watch, once=True),
    }

    def settings(root: Node, faults: Faults) -> dict[str, Any]:
        found = read_keys(root, keys, set(keys), faults)
        _told_twice(found.get("watches") or (), faults)
        return found

    found = read_file(path, "watch", settings, UsageError)
    server, password_env, password_file = found["mail"]
    return Settings(
        path, server, password_env, password_file, found["stale-after"], found["watches"]
    )


def _told_twice(watches: tuple[Watch, ...], faults: Faults) -> None:
    seen: set[str] = set()
    for watch in watches:
        if watch.id in seen:
            faults.add(
                watch.site.place,
                f"a second watch has the id {watch.id!r}",
                "each id once",
                "give it another id",
            )
        seen.add(watch.id)


# ---------------------------------------------------------------------- the keys of each block

_BETWEEN = {"start": "from", "end": "to"}
_read_slot = record_of(
    LocalSlot, {"days": days_of, "from": clock_of, "to": clock_of}, called=_BETWEEN
)  # fmt: skip
_read_quiet = record_of(
    Quiet,
    {"from": clock_of, "to": clock_of, "break-within": figure_of(Figure("s", 0, 7 * 86400))},
    called=_BETWEEN,
)
_read_send = record_of(
    Send, {"change": boolean_of, "window": boolean_of, "at": list_of(clock_of, once=True)}
)


def _slot(node: Node, faults: Faults) -> LocalSlot | None:
    found: LocalSlot | None = _read_slot(node, faults)
    if found is not None and not found.start < found.end:
        faults.add(node.place, "a slot that does not end after its start on the same day", "",
                   "split a slot over midnight in two")  # fmt: skip
        return None
    return found


def _quiet(node: Node, faults: Faults) -> Quiet | None:
    found: Quiet | None = _read_quiet(node, faults)
    if found is not None and found.start == found.end:
        faults.add(node.place, "quiet hours that begin when they end", "", "delete them")
        return None
    return found


def _display(node: Node, faults: Faults) -> tuple[tuple[str, str], ...]:
    keys = {"clock": choice_of("12", "24"), "units": choice_of("metric", "kmh", "knots", "mph")}
    return tuple(sorted(read_keys(node, keys, set(), faults).items()))


_WATCH_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "site": named,
    "aircraft": named,
    "pilot": named,
    "height": figure_of(Figure("m", 0, 500)),
    "hours": whole_of(1, MOST_HOURS),
    "to": list_of(address, once=True),
    "send": _read_send,
    "slots": list_of(_slot, once=True),
    "minimum": whole_of(1, 24),
    "sources": list_of(word_of, once=True),
    "quiet": _quiet,
    "display": _display,
    "grade-by": choice_of("limits", "chance"),
    "chances": named,
    "bias": named,
    "lagged": whole_of(0, MOST_LAGGED),
}
_read_watch = record_of(Watch, _WATCH_KEYS)


def _watch(node: Node, faults: Faults) -> Watch | None:
    found: Watch | None = _read_watch(node, faults)
    if found is None:
        return None
    send = found.send
    if not (send.change or send.window or send.at):
        faults.add(node.place, f"the watch {found.id!r} would never send", "",
                   "write change, window or at below send")  # fmt: skip
    if send.change and not found.slots:
        faults.add(node.place, f"the watch {found.id!r} has no slots whose change could be told",
                   "", "add slots, or take change away")  # fmt: skip
    for at in send.at:
        if found.quiet is not None and at in found.quiet:
            faults.add(node.place, f"{at:%H:%M} lies in the quiet hours of watch {found.id!r}",
                       "", "change one of the two")  # fmt: skip
    return found


def _mail(folder: Path) -> Reader:
    """A reader of the mail settings; paths are relative to ``folder``."""

    def path_of(node: Node, faults: Faults) -> Path | None:
        text = text_of(node, faults)
        return None if text is None else folder / Path(text).expanduser()

    keys: Mapping[str, Reader] = {
        "host": host,
        "port": whole_of(1, 65535),
        "security": choice_of(*Security),
        "from": address,
        "user": text_of,
        "password-env": variable,
        "password-file": path_of,
        "ca-file": path_of,
        "timeout": figure_of(Figure("s", 1, 120)),
    }

    def settings(node: Node, faults: Faults) -> tuple[Server, str | None, Path | None] | None:
        before = len(faults)
        found = read_keys(node, keys, {"host", "port", "security", "from"}, faults)
        if len(faults) > before:
            return None
        security = Security(found["security"])
        if security is Security.NONE and not is_loopback(found["host"]):
            faults.add(node.place, f"security: none with the host {found['host']!r}",
                       "mail without TLS goes to this computer alone",
                       "write starttls or tls")  # fmt: skip
        ways = {"password-env", "password-file"} & set(found)
        if len(ways) != (1 if "user" in found else 0):
            faults.add(node.place, "user and password do not go together",
                       "a user needs password-env or password-file, one of the two",
                       "write both, or neither")  # fmt: skip
        if len(faults) > before:
            return None
        server = Server(
            found["host"],
            found["port"],
            security,
            found["from"],
            user=found.get("user"),
            ca_file=found.get("ca-file"),
            timeout=found.get("timeout", 30.0),
        )
        return server, found.get("password-env"), found.get("password-file")

    return settings
