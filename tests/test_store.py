"""Contract: stored derived hours come back as they were, or not at all."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hours import forecast_of

from wxgate import quantities, store
from wxgate.forecast import Forecast, make_field

pytestmark = pytest.mark.contract

AT = datetime(2026, 6, 1, 7, tzinfo=UTC)


def some() -> Forecast:
    wind = make_field(
        "wind_speed_at_flight_height",
        np.array([1.1, np.nan, 3.3]),
        origin=np.array([0, 1, 0], np.uint8),
        origins=("direct", "power law from 10 m"),
    )
    column = make_field("eastward_wind", np.ones((3, 2)), levels=np.array([10.0, 80.0]))
    return forecast_of({"wind_speed_at_flight_height": wind, "eastward_wind": column})


def test_hours_come_back_bit_for_bit(tmp_path: Path) -> None:
    before = some()
    store.save(tmp_path, "k", before, at=AT)
    found = store.load(tmp_path, "k")
    assert found is not None
    assert found.at == AT
    np.testing.assert_array_equal(found.forecast.time, before.time)
    for name, field in before.fields.items():
        after = found.forecast.fields[name]
        assert after.values.dtype == np.float32
        np.testing.assert_array_equal(after.values, field.values)
        assert (after.kind, after.origins) == (field.kind, field.origins)
    np.testing.assert_array_equal(
        found.forecast.fields["wind_speed_at_flight_height"].origin, [0, 1, 0]
    )
    assert found.forecast.provenance == before.provenance


@pytest.mark.parametrize("damage", ["empty", "half", "flip", "list"])
def test_damage_is_as_good_as_nothing(tmp_path: Path, damage: str) -> None:
    store.save(tmp_path, "k", some(), at=AT)
    path = tmp_path / "k.json"
    text = path.read_text()
    path.write_text(
        {
            "empty": "",
            "half": text[: len(text) // 2],
            "flip": text.replace("1.1", "0.1", 1),
            "list": "[]",
        }[damage]
    )
    assert store.load(tmp_path, "k") is None


def test_another_format_and_another_question_are_as_good_as_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.save(tmp_path, "k", some(), at=AT)
    (tmp_path / "k.json").rename(tmp_path / "other.json")
    assert store.load(tmp_path, "other") is None, "the answer to another question"
    with monkeypatch.context() as older:
        older.setattr(store, "FORMAT", store.FORMAT - 1)
        store.save(tmp_path, "k", some(), at=AT)
    assert store.load(tmp_path, "k") is None


def test_hours_of_another_vocabulary_are_as_good_as_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A quantity that was renamed since would be looked up in vain by all that follow."""
    store.save(tmp_path, "k", some(), at=AT)
    (name, *_) = some().fields
    monkeypatch.delitem(quantities.QUANTITIES, name)
    assert store.load(tmp_path, "k") is None


def test_no_partial_files_stay(tmp_path: Path) -> None:
    store.save(tmp_path, "k", some(), at=AT)
    assert [p.name for p in tmp_path.iterdir()] == ["k.json"]


def test_a_key_depends_on_what_is_asked_and_not_on_order() -> None:
    assert store.question(a=1, b=2) == store.question(b=2, a=1)
    assert store.question(a=1, b=2) != store.question(a=1, b=3)
