"""All tables of assumptions, and one source tried by its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from wxgate.errors import DataError, WxgateError
from wxgate.http import FetchError, Refused, Throttled, Unreachable
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.probe.airports import AIRPORT_ASSUMPTIONS
from wxgate.sources.probe.kindices import INDEX_ASSUMPTIONS
from wxgate.sources.probe.look import Assumption, Finding, Look, State, UntriedError
from wxgate.sources.probe.models import MODEL_ASSUMPTIONS
from wxgate.sources.probe.points import POINT_ASSUMPTIONS

#: The assumptions of every source, in the order in which they are tried.
ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    **MODEL_ASSUMPTIONS, **POINT_ASSUMPTIONS, **INDEX_ASSUMPTIONS, **AIRPORT_ASSUMPTIONS,
}  # fmt: skip


def probe(name: str, request: Request, tools: Toolbox) -> Iterator[Finding]:
    """What holds of a source, one assumption after the other."""
    blamed: set[int] = set()
    with Look(name, request, tools) as look:
        for assumption in ASSUMPTIONS[name]:
            state, seen = _tried(assumption, look, blamed)
            yield Finding(name, assumption.text, state, " ".join(seen.split()))


def _tried(assumption: Assumption, look: Look, blamed: set[int]) -> tuple[State, str]:
    try:
        seen = assumption.check(look)
    except UntriedError as error:
        return State.UNTRIED, error.what
    except WxgateError as error:
        if id(error) in blamed:
            return State.UNTRIED, "it needs what is told above"
        blamed.add(id(error))
        silent = look.unanswered or isinstance(error, Refused | Throttled | Unreachable)
        usage = not isinstance(error, DataError)
        return State.UNTRIED if silent or usage else State.BROKEN, _reason(error)
    return (State.HOLDS, "") if seen is None else (State.BROKEN, seen)


def _reason(error: WxgateError) -> str:
    url = error.url if isinstance(error, FetchError) else ""
    return f"{error.what.rstrip('. ')}{f' at {url}' if url else ''}"
