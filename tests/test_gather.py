"""Contract: which sources are asked, in which order, and what is told when one fails."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hours import START, forecast_of

from wxgate.choice import Candidate
from wxgate.cli import session
from wxgate.cli.answer import derived_by_source
from wxgate.cli.question import Question
from wxgate.errors import DataError, UsageError
from wxgate.forecast import Forecast
from wxgate.gather import beside, gather, on_axis
from wxgate.quantities import QUANTITIES
from wxgate.sources import registry
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import load_endpoints
from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

pytestmark = pytest.mark.contract

REQUEST = Request(latitude=50.0, longitude=8.0, start=START, hours=3, now=START)
TOOLS = Toolbox(endpoints={}, cache=None, client=lambda s: None, progress=lambda *a: None)  # type: ignore[arg-type, return-value]


def made(name: str, fetch: Callable[[Request, Toolbox], Forecast]) -> Source:
    return Source(name, name, (), "", "", "", "", fetch)


def gives(name: str, **fields: list[float]) -> Source:
    return made(name, lambda request, tools: forecast_of(dict(fields)))


def ask(*models: Source, indices: tuple[Source, ...] = (), **more: Any) -> tuple[Forecast, ...]:
    candidates = [Candidate(model) for model in models]
    return gather(REQUEST, TOOLS, models=candidates, indices=indices, **more)


def fails(name: str, what: str) -> Source:
    def fetch(request: Request, tools: Toolbox) -> Forecast:
        raise DataError(what, remedy="Wait.")

    return made(name, fetch)


MODEL = gives("m", air_temperature=[280.0, 281.0, 282.0, 283.0])
INDEX = gives("k", planetary_k_index=[2.0, 2.0, 2.0, 3.0])


def test_the_first_that_answers_is_taken_and_the_failures_before_it_are_told() -> None:
    (found,) = ask(fails("a", "out of order"), MODEL, indices=(INDEX,))
    assert set(found.fields) == {"air_temperature", "planetary_k_index"}
    assert any("a: out of order" in note for note in found.notes)


def test_without_a_model_there_is_no_forecast_and_every_reason_is_told() -> None:
    with pytest.raises(DataError, match=r"a: one.*b: two"):
        ask(fails("a", "one"), fails("b", "two"), indices=(INDEX,))


def test_without_an_index_the_hours_are_there_and_it_is_told() -> None:
    (found,) = ask(MODEL, indices=(fails("k", "silent"),))
    assert "planetary_k_index" not in found.fields
    assert any("k: silent" in note for note in found.notes)


def test_hours_that_a_source_lacks_are_missing() -> None:
    forecast = forecast_of({"air_temperature": [280.0, 281.0]})
    later = forecast.time[0] + np.arange(-1, 4) * np.timedelta64(3600, "s")
    values = on_axis(forecast, later).fields["air_temperature"].values
    np.testing.assert_array_equal(np.isnan(values), [True, False, False, True, True])


def test_what_the_model_has_is_not_replaced_by_what_stands_beside_it() -> None:
    a = forecast_of({"air_temperature": [280.0, 281.0]})
    b = forecast_of({"air_temperature": [1.0, 1.0], "planetary_k_index": [0.0, 0.0]})
    both = beside(a, b)
    assert both.fields["air_temperature"].values[0] == 280.0
    assert both.fields["planetary_k_index"].values[0] == 0.0


# ---------------------------------------------------------------------- by name


@pytest.mark.parametrize(
    ("name", "table"),
    [(n, t) for t in (MODELS, ENSEMBLES, INDICES) for n in t],
    ids=lambda x: x if isinstance(x, str) else "",
)
def test_every_name_leads_to_a_source_with_terms_and_an_endpoint(
    name: str, table: dict[str, tuple[str, str]]
) -> None:
    found = source(name, table)
    assert found.title
    assert found.licence
    assert found.credit
    assert set(found.gives) <= {n for n, row in QUANTITIES.items() if not row.derived}
    assert found.name == name


def test_the_usual_sources_are_known() -> None:
    endpoints = load_endpoints()
    assert set(endpoints["usual"]["indices"]) <= set(INDICES)
    assert {row["model"] for row in endpoints["choice"]["models"]} == set(MODELS)


@pytest.mark.parametrize(("name", "told"), [("gsf", "Did you mean 'gfs'"), ("swpc", "not known")])
def test_a_name_that_cannot_be_asked_is_told_before_anything_is_fetched(
    name: str, told: str
) -> None:
    site = session.find_site("demo-field", None, None, "UTC", demo=False)
    cast = session.find_cast(site, "light-249g", "novice", demo=False)
    ask = Question(site, START, 3)
    with pytest.raises(UsageError, match=told):
        derived_by_source(
            ask, cast.aircraft, 60.0, ["gfs", name], progress=lambda *a: pytest.fail("fetched")
        )


def test_of_several_models_one_that_is_silent_is_a_note(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fake(name: str, table: object = None) -> Source:
        return fails(name, f"{name} is silent") if name in ("ecmwf", "swpc", "gfz") else MODEL

    monkeypatch.setattr(registry, "source", fake)
    site = session.find_site("demo-field", None, None, "UTC", demo=False)
    cast = session.find_cast(site, "light-249g", "novice", demo=False)
    ask = Question(site, datetime(2026, 6, 1, 6, tzinfo=UTC), 3)
    found = derived_by_source(
        ask, cast.aircraft, 60.0, ["gfs", "ecmwf", "hrrr"], progress=lambda *a: None
    )
    assert len(found) == 2
    assert any("ecmwf is silent" in note for note in found[0].notes)
    with pytest.raises(DataError, match="ecmwf is silent"):
        derived_by_source(ask, cast.aircraft, 60.0, ["ecmwf"], progress=lambda *a: None)
