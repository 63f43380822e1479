"""Law: the search for false go (``test_holes``) finds faults that are planted into the engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import hole_oracle
import holes
import numpy as np
import pytest
import test_holes
from hole_digging import spoil
from holes import worlds
from test_holes import WIDTH, Count, graded, rulebook

import wxgate.forecast
import wxgate.grade
from wxgate.derive import geomagnetic, moisture, precipitation, thunder, visibility
from wxgate.forecast import Forecast
from wxgate.verdict import Grade

pytestmark = pytest.mark.law


def _first_end_alone(at: Any, beyond: Any, worse: Any) -> Any:
    return at.copy()


def _known_end(at: Any, beyond: Any, worse: Any) -> Any:
    kind = {np.maximum: np.fmax, np.minimum: np.fmin}.get(worse, worse)
    return _TWO_ENDS(at, beyond, kind)


def _anything(name: str, values: Any, **about: Any) -> Any:
    row = wxgate.forecast.quantity(name)
    kind = about.pop("kind", None) or row.kind
    return wxgate.forecast.Field(np.asarray(values, np.float32), kind, **about)


def _as_age(forecast: Forecast, now: Any) -> Forecast:
    fresh = [replace(p, run=now) for p in forecast.provenance]
    return wxgate.grade.with_age(replace(forecast, provenance=tuple(fresh)), now)


def _no_ceiling(ceiling: Any, *about: Any, **more: Any) -> Any:
    return _CLOUD_BASE(np.nan_to_num(ceiling, nan=20000.0), *about, **more)


def _zeros(inputs: Any, *names: str) -> Any:
    return tuple(np.nan_to_num(values) for values in _ALIGNED(inputs, *names))


def _direct(kp: Any, predicted: Any) -> Any:
    values, origin = _STORM(kp, predicted)
    return values, 0 * origin


_TWO_ENDS = wxgate.grade._two_ends
_CLOUD_BASE, _STORM = moisture.cloud_base_height, geomagnetic.storm_probability
_ALIGNED = precipitation.fields_aligned
#: Faults planted into the engine: where, and what takes its place.
FAULTS: dict[str, tuple[Any, str, Callable[..., Any]]] = {
    "only the first end of an hour counts": (wxgate.grade, "_two_ends", _first_end_alone),
    "the end that is known stands for both": (wxgate.grade, "_two_ends", _known_end),
    "absurd values are taken as they are": (holes, "make_field", _anything),
    "CAPE at the first instant is enough": (thunder, "larger_end", lambda v: v),
    "every run is fresh": (test_holes, "with_age", _as_age),
    "a missing value is what its rule declares, or nothing": (
        wxgate.grade._Bench, "missing_codes", lambda self, rule, shape: np.uint8(0)),
    "no substitute caps": (
        wxgate.grade._Bench, "substitute_outcome", lambda self, substitute: None),
    "neighbours are not looked at": (
        wxgate.grade, "_around", lambda hours, rule, past, worse: hours),
    "a ceiling that is missing is none": (moisture, "cloud_base_height", _no_ceiling),
    "rain that is missing is none": (precipitation, "fields_aligned", _zeros),
    "a K index that is missing is nothing": (geomagnetic, "storm_probability", _direct),
    "visibility at the first end is enough": (visibility, "at_hour_end", lambda v: v),
}  # fmt: skip


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # of what absurd values are reckoned into
@pytest.mark.parametrize("fault", FAULTS)
def test_the_search_finds_faults(fault: str, monkeypatch: pytest.MonkeyPatch) -> None:
    where, name, instead = FAULTS[fault]
    monkeypatch.setattr(where, name, instead)
    count = Count()
    for seed in range(40):
        rng = np.random.default_rng(seed)
        whole = worlds(rng, WIDTH)
        spoilt = spoil(rng, whole)
        go = graded(spoilt).codes[:-1] == Grade.GO
        must_not = hole_oracle.must_not_be_go(spoilt, rulebook(whole.law))[:-1]
        count.add(go, go, must_not, spoilt, seed)
        if count.false_go:
            return
    pytest.fail("not found")
