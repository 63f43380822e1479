"""What wxgate takes for granted of the K index: files, shapes, states, and that they agree."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import timedelta
from typing import Any

from wxgate.errors import DataError
from wxgate.sources import gfz
from wxgate.sources.gfz import parse_json, parse_nowcast_text
from wxgate.sources.pointjson import member, read_object
from wxgate.sources.probe.look import Assumption, Check, Look, UntriedError
from wxgate.sources.probe.service import fetched
from wxgate.sources.swpc_formats import (
    KINDS,
    Slot,
    parse_forecast_json,
    parse_observed_json,
    parse_one_minute_json,
    parse_three_day_text,
)


def file(name: str, parse: Callable[[bytes], Any]) -> Callable[[Look], Any]:
    """What a file of the entry's list says to ``parse``."""

    def read(look: Look) -> Any:
        def make() -> Any:
            root, path = look.entry.text("root").rstrip("/"), look.entry.entry("files").text(name)
            return parse(look.client().get(f"{root}/{path}", expect="any").content)

        return look.once(f"file {name}", make)

    return read


def slots_of(name: str, parse: Callable[[bytes], Sequence[Slot]]) -> Check:
    """Whether a file holds slots in a form that is known, the newest of the last two days."""

    def check(look: Look) -> str | None:
        slots = file(name, parse)(look)
        if not slots:
            return "it holds no value"
        newest = max(slot.start for slot in slots)
        old = newest < look.request.now - timedelta(days=2)
        return f"its newest value is of {newest:%Y-%m-%d}" if old else None

    return check


_forecast = file("forecast", parse_forecast_json)
_text = file("three_days", lambda content: parse_three_day_text(content).slots)


def _kinds(look: Look) -> str | None:
    told = {slot.kind for slot in _forecast(look)}
    absent = [kind for kind in (KINDS[0], KINDS[-1]) if kind not in told]
    return f"nothing is told as {', '.join(absent)}" if absent else None


def _reaches_ahead(look: Look) -> str | None:
    last = max(slot.end for slot in _forecast(look))
    ahead = last - look.request.now
    return None if ahead >= timedelta(hours=24) else f"it ends at {last:%Y-%m-%d %H}Z"


def _agree(look: Look) -> str | None:
    """The text and the JSON predict the same, within two units: another scale would not."""
    predicted = {slot.start: slot.kp for slot in _forecast(look)}
    apart = [abs(predicted[s.start] - s.kp) for s in _text(look) if s.start in predicted]
    if not apart:
        raise UntriedError("they share no slot")
    return f"they differ by {max(apart):.1f}" if max(apart) > 2 else None


def _gfz_lists(look: Look) -> str | None:
    """Whether the lists can be read; the text, which a fetch falls back upon, does not count."""
    try:
        fetched(gfz.SOURCE)(look)
    except DataError:
        if not look.bodies:
            raise
    return None if look.once("lists", lambda: parse_json(look.bodies[0].content)) else "no value"


def _gfz_states(look: Look) -> str | None:
    _gfz_lists(look)
    told = member(read_object(look.bodies[0].content), "status")
    odd = sorted({str(state) for state in told or ["none"]} - set(gfz.STATUS))
    return f"the states {', '.join(odd)}" if odd else None


INDEX_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "swpc": (
        Assumption("the forecast has a form that is known",
                   slots_of("forecast", parse_forecast_json)),
        Assumption("it says what is observed and what predicted", _kinds),
        Assumption("it reaches a day ahead", _reaches_ahead),
        Assumption("the observed file has a form that is known",
                   slots_of("observed", parse_observed_json)),
        Assumption("the one-minute file has a form that is known",
                   slots_of("one_minute", parse_one_minute_json)),
        Assumption("the text has its table", slots_of("three_days",
                   lambda content: parse_three_day_text(content).slots)),
        Assumption("text and forecast agree", _agree),
    ),
    "gfz": (
        Assumption("its lists have the form that is known", _gfz_lists),
        Assumption("its states are known", _gfz_states),
        Assumption("the nowcast text has a form that is known",
                   slots_of("nowcast", parse_nowcast_text)),
    ),
}  # fmt: skip
