"""Whether the services answer now: one light request to each place, side by side over hosts."""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import timedelta

from wxgate.errors import DataError
from wxgate.http import NotThere, WrongContent
from wxgate.http import Request as Ask
from wxgate.sources import ecmwf, icon
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.gridmodel import GridModel, service_of
from wxgate.sources.place import host_of, read_service
from wxgate.sources.plan import run_expected
from wxgate.sources.pointjson import coordinate, east

_AT_ONCE = 12
_MAKERS = {"ecmwf": ecmwf.open_model, "icon-eu": icon.IconModel, "icon-d2": icon.IconModel}


@dataclass(frozen=True, slots=True)
class Question:
    """One light request: to which place of which source, and by which manners."""

    source: str
    place: str
    service: str
    ask: Ask


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: ``answers`` where the service is up, in ``told`` what there is to say."""

    source: str
    place: str
    host: str
    answers: bool
    told: str
    seconds: float


def ask_all(sources: Sequence[Source], request: Request, tools: Toolbox) -> list[Answer]:
    """An answer of each place of each source, in their order; hosts are asked side by side.

    The tools' clients bound how long a silent service is waited for. What a source's endpoints
    make impossible to ask is told as an answer too.
    """
    found: list[Answer | Question] = []
    for source in sources:
        try:
            found += _questions(source, request, tools)
        except DataError as error:
            found.append(Answer(source.name, "", "", False, error.what, 0.0))
    by_host: dict[str, list[int]] = {}
    for n, one in enumerate(found):
        if isinstance(one, Question):
            by_host.setdefault(host_of(one.ask.url), []).append(n)
    answers: dict[int, Answer] = {n: o for n, o in enumerate(found) if isinstance(o, Answer)}

    def of_host(places: list[int]) -> None:
        for n in places:
            one = found[n]
            if isinstance(one, Question):
                answers[n] = _ask(one, tools)

    with ThreadPoolExecutor(max_workers=_AT_ONCE) as pool:
        list(pool.map(of_host, by_host.values()))
    return [answers[n] for n in range(len(found))]


def _ask(one: Question, tools: Toolbox) -> Answer:
    begin = time.monotonic()
    manners = read_service(Entry(tools.endpoints, ""), one.service)
    host = host_of(one.ask.url) or "this computer"
    answers, told = True, "answers"
    try:
        with tools.client(manners) as client:
            [body] = client.get_many([one.ask])
        if isinstance(body, DataError):
            raise body
    except NotThere as error:
        told = f"answers, but has not what is expected ({error.what.rstrip('. ')})"
    except WrongContent as error:
        answers, told = False, f"answers with something else: {error.what.rstrip('. ')}"
    except DataError as error:
        answers, told = False, error.what.rstrip(". ")
    return Answer(one.source, one.place, host, answers, told, time.monotonic() - begin)


def _questions(source: Source, request: Request, tools: Toolbox) -> list[Question]:
    entry = Entry(tools.endpoints, "").entry(source.name)
    if "order" not in entry.content:
        url = _point_address(source.name, entry, request)
        return [Question(source.name, "", entry.text("service"), Ask(url, expect="json"))]
    # One field of one hour: the smallest box that there is.
    asked = replace(request, wanted=frozenset({"air_temperature"}), hours=1)
    make = _MAKERS.get(source.name, GridModel)
    with make(source, asked, replace(tools, offline=True)) as model:
        run, steps = run_expected(model)
        return [
            Question(
                source.name, place.name, service_of(model.entry, place.name),
                place.request_of(run, steps[-1]),
            )
            for place in model.places()
        ]  # fmt: skip


def _point_address(name: str, entry: Entry, request: Request) -> str:
    """A small file of a service for points."""
    root = entry.text("root").rstrip("/")
    where = coordinate(request.latitude), coordinate(east(request.longitude))
    if name == "openmeteo":
        return f"{root}/data/{entry.texts('runs_of')[0]}/static/meta.json"
    if name == "metno":
        return f"{root}/compact?lat={where[0]}&lon={where[1]}"
    if name == "nws":
        return f"{root}/points/{where[0]},{where[1]}"
    if name == "aviation":
        return f"{root}/metar?bbox={_small_box(request)}&format=json"
    files = entry.entry("files")
    if name == "gfz":
        end, start = request.now, request.now - timedelta(days=1)
        path = fill(
            files.text("json"), files, start=f"{start:%Y-%m-%dT%H:%M:%SZ}",
            end=f"{end:%Y-%m-%dT%H:%M:%SZ}",
        )  # fmt: skip
        return f"{root}/{path}"
    return f"{root}/{files.text('forecast')}"


def _small_box(request: Request) -> str:
    south = max(min(request.latitude, 89.0), -90.0)
    west = max(min(east(request.longitude), 179.0), -180.0)
    return f"{south:.1f},{west:.1f},{south + 1:.1f},{west + 1:.1f}"
