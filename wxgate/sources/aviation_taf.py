"""Airport forecasts (TAF): the raw text to groups with their times."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from itertools import pairwise

from wxgate.errors import DataError
from wxgate.sources.aviation_formats import AirportForecast, Change, Group, read_weather, resolve

_HEAD = re.compile(
    r"(?:TAF )?(?:(?:AMD|COR) )*([A-Z][A-Z0-9]{3}) (\d{6})Z (?:(?:AMD|COR) )*(\d{4})/(\d{4})(?: |$)"
)
_MARK = re.compile(
    r"(?:(?P<fm>FM(?P<from>\d{6}))"
    r"|(?:PROB(?P<share>\d\d) )?(?P<word>TEMPO|BECMG) (?P<span>\d{4}/\d{4})"
    r"|PROB(?P<alone>\d\d) (?P<of>\d{4}/\d{4}))(?= |$)"
)
_LOST = re.compile(r"\b(?:FM|TEMPO|BECMG|PROB|INTER)")


def read_taf(raw: str, near: datetime, distance_km: float) -> AirportForecast | None:
    """The forecast; None when it is cancelled, or no forecast at all (NIL).

    ``near`` is a time close to its issue. DataError for a text whose parts cannot be told apart:
    a part that is lost could be the one that matters.
    """
    text = " ".join(raw.replace("=", " ").split())
    text = re.sub(r"^(?:TAF )+", "TAF ", text)
    text = re.split(r" (?:RMK|AMD NOT SKED|AMD LTD)\b", text)[0]
    head = _HEAD.match(text)
    if re.search(r"\b(?:NIL|CNL)\b", text):
        return None
    if head is None:
        raise _fault(raw)
    issued = resolve(head[2][:2], head[2][2:4], head[2][4:], near)
    if issued is None:
        raise _fault(raw)
    start, end = _span(f"{head[3]}/{head[4]}", issued, raw)
    body = text[head.end() :]
    marks = list(_MARK.finditer(body))
    stops = [*(mark.start() for mark in marks), len(body)]
    first = body[: stops[0]]
    parts = [(mark, body[mark.end() : stop]) for mark, stop in zip(marks, stops[1:], strict=True)]
    if any(_LOST.search(part) for part in (first, *(own for _, own in parts))):
        raise _fault(raw)
    groups = [Group("FM", start, end, read_weather(first))]
    groups += [_group(mark, own, issued, end, raw) for mark, own in parts]
    return AirportForecast(
        head[1], issued, start, end, distance_km, _ended(groups, end), raw.strip()
    )


def _group(mark: re.Match[str], own: str, issued: datetime, end: datetime, raw: str) -> Group:
    says = read_weather(own)
    if mark["fm"]:
        at = mark["from"]
        begin = resolve(at[:2], at[2:4], at[4:], issued)
        if begin is None:
            raise _fault(raw)
        return Group("FM", begin, end, says)
    start, stop = _span(mark["span"] or mark["of"], issued, raw)
    share = mark["share"] or mark["alone"]
    word: Change = "BECMG" if mark["word"] == "BECMG" else "TEMPO"
    return Group(
        "PROB" if share else word, start, stop, says,
        probability=int(share) / 100 if share else None,
        temporary=mark["word"] == "TEMPO",
    )  # fmt: skip


def _ended(groups: list[Group], end: datetime) -> tuple[Group, ...]:
    """The groups, each that holds in full ended by the next such one."""
    starts = [group.start for group in groups if group.change == "FM"]
    until = dict(pairwise([*starts, end]))
    return tuple(
        replace(group, end=until[group.start]) if group.change == "FM" else group
        for group in groups
    )


def _span(text: str, near: datetime, raw: str) -> tuple[datetime, datetime]:
    begin, stop = text.split("/")
    start = resolve(begin[:2], begin[2:], "00", near)
    end = resolve(stop[:2], stop[2:], "00", near)
    if start is None or end is None or end <= start:
        raise _fault(raw)
    return start, end


def _fault(raw: str) -> DataError:
    return DataError(
        f"the airport forecast {raw.strip()[:60]!r} could not be read",
        remedy="Read it yourself, or use another airport.",
    )
