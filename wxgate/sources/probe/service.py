"""Checks of a service that gives one answer for a point: may one ask, and can it be read?"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import timedelta

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.http import Refused
from wxgate.sources.base import Source
from wxgate.sources.probe.look import Check, Look, UntriedError


def fetched(source: Source) -> Callable[[Look], Forecast]:
    """What an ordinary fetch makes of the service's answer."""

    def fetch(look: Look) -> Forecast:
        return look.once("fetch", lambda: source.fetch(look.request, look.tools))

    return fetch


def answers(source: Source) -> Check:
    """Whether the service serves a caller who says who is calling."""

    def check(look: Look) -> str | None:
        try:
            fetched(source)(look)
        except Refused as error:
            return f"it refuses ({error.status})"
        except DataError:
            if not look.bodies:
                raise
        return None

    return check


def can_be_read(source: Source) -> Check:
    """Whether its answer has the form that is known."""

    def check(look: Look) -> None:
        fetched(source)(look)

    return check


def units_known(source: Source) -> Check:
    """Whether every unit in the answer is one that can be converted."""

    def check(look: Look) -> str | None:
        notes = [n for n in fetched(source)(look).notes if "which is not known" in n]
        return "; ".join(note.removeprefix(f"{source.name}: ") for note in notes) or None

    return check


def gives(source: Source, names: Iterable[str]) -> Check:
    """Whether each of these quantities has a value in some hour."""

    def check(look: Look) -> str | None:
        fields = fetched(source)(look).fields
        absent = [n for n in names if n not in fields or np.isnan(fields[n].values).all()]
        return f"without {', '.join(absent)}" if absent else None

    return check


def tells_its_run(source: Source) -> Check:
    """Whether the answer says when it was made."""

    def check(look: Look) -> str | None:
        run = fetched(source)(look).provenance[0].run
        late = look.request.now - timedelta(days=2)
        if run is None:
            return "it does not tell"
        return f"it is of {run:%Y-%m-%d %H:%M}Z" if run < late else None

    return check


def has_headers(source: Source, *names: str) -> Check:
    """Whether the answer bears these headers."""

    def check(look: Look) -> str | None:
        fetched(source)(look)
        absent = [name for name in names if not look.bodies[0].headers.get(name.lower())]
        return f"without {', '.join(absent)}" if absent else None

    return check


def unchanged_is_304(source: Source) -> Check:
    """Whether a question with the date of the last answer is answered shortly."""

    def check(look: Look) -> str | None:
        fetched(source)(look)
        first = look.bodies[0]
        if first.validators.last_modified is None:
            raise UntriedError("it tells no Last-Modified")
        again = look.client().get(first.url, expect="json", validators=first.validators)
        return None if again.status == 304 else f"it answers {again.status}"

    return check
