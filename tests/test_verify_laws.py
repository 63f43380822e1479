"""Law: what a calibration, and the cases that it eats, must keep whatever they hold."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wxgate import verify
from wxgate.errors import UsageError
from wxgate.verify import Calibration, Cases

pytestmark = pytest.mark.law

Array = np.ndarray[Any, np.dtype[Any]]


def world(seed: int, n: int, kind: str, event: str, holes: float) -> Cases:
    """Random cases of some kind, with holes, groups, limits and unsorted times."""
    random = np.random.default_rng(seed)
    columns: dict[str, Any] = {"time": random.permutation(n) * 3.0}
    if seed % 2:
        columns |= {"station": random.choice(["a", "b", "c"], n), "lead": random.uniform(0, 99, n)}
    if kind == "probabilities":
        p = np.round(random.beta(0.5, 1, n), seed % 4)
        p[random.uniform(size=n) < holes] = np.nan
        outcome = (random.uniform(size=n) < 0.2 + 0.5 * np.nan_to_num(p)) * 1.0
        outcome[random.uniform(size=n) < holes] = np.nan
        return Cases.of_probabilities(p, outcome, **columns)
    signal = random.normal(2, 3, n)
    value = signal + random.normal(size=n)
    members = signal[:, None] + random.normal(size=(n, 1 + seed % 7))
    if kind == "rain":
        value, members = np.maximum(value - 2, 0), np.maximum(members - 2, 0)
    if kind == "constant":
        value, members = value * 0 + 1, members * 0 + 1
    members[random.uniform(size=members.shape) < holes] = np.nan
    limit = random.uniform(-1, 5, n) if seed % 3 == 0 else 1.0
    return Cases.of_ensemble(members, limit, value, event=event, **columns)


worlds = st.builds(
    world,
    seed=st.integers(0, 10_000),
    n=st.sampled_from([0, 1, 2, 31, 60, 150]),
    kind=st.sampled_from(["probabilities", "wind", "rain", "constant"]),
    event=st.sampled_from(["above", "at least", "below", "at most"]),
    holes=st.sampled_from([0.0, 0.1, 0.6]),
)


@settings(max_examples=20, deadline=None)
@given(cases=worlds)
def test_probabilities_are_probabilities_and_json_keeps_every_bit(cases: Cases) -> None:
    calibration = verify.fit(cases)
    p = calibration.apply(cases)
    assert p.shape == (len(cases),)
    assert np.all(np.isnan(p) | ((p >= 0) & (p <= 1)))
    assert np.all(np.isnan(p[np.isnan(cases.raw)])), "missing must not become a number"
    assert np.all(np.isfinite(p[np.isfinite(cases.raw)]))
    again = Calibration.from_json(calibration.to_json())
    assert again.apply(cases).tobytes() == p.tobytes()
    assert again.to_json() == calibration.to_json()


@pytest.mark.parametrize("kind", ["probabilities", "wind", "rain"])
def test_a_case_alone_gets_what_it_gets_among_others(kind: str) -> None:
    cases = world(7, 150, kind, "above", 0.1)
    calibration = verify.fit(cases)
    together = calibration.apply(cases)
    alone = [calibration.apply(cases.take(slice(i, i + 1)))[0] for i in range(len(cases))]
    assert np.array_equal(np.array(alone), together, equal_nan=True)


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_cases_does_not_matter_where_times_are_known(seed: int) -> None:
    cases = world(seed, 90, "wind" if seed % 2 else "probabilities", "above", 0.1)
    order = np.random.default_rng(seed).permutation(len(cases))
    one, other = verify.fit(cases), verify.fit(cases.take(order))
    assert one.apply(cases).tobytes() == other.apply(cases).tobytes()


@pytest.mark.parametrize("seed", range(6))
def test_a_larger_raw_probability_never_gives_a_smaller_one(seed: int) -> None:
    cases = world(2 * seed, 400, "probabilities", "above", 0.0)
    rising = verify.fit(cases).apply(Cases.of_probabilities(np.linspace(0, 1, 301)))
    assert np.all(np.diff(rising) >= -1e-12)


@pytest.mark.parametrize("kind", ["wind", "rain"])
@pytest.mark.parametrize("event", ["above", "below"])
def test_a_higher_limit_is_never_likelier_passed(kind: str, event: str) -> None:
    cases = world(3, 400, kind, event, 0.0)
    assert cases.members is not None
    cases = Cases.of_ensemble(
        cases.members + 1.5, cases.limit, cases.observed, event=event,
        time=cases.time, station=cases.station, lead=cases.lead,
    )  # fmt: skip
    calibration = verify.fit(cases)
    assert "identity" not in calibration.report.method
    ladder = np.array([
        calibration.apply(
            Cases.of_ensemble(cases.members, limit, event=event, time=cases.time,
                              station=cases.station, lead=cases.lead)
        )
        for limit in np.linspace(-2, 8, 41)
    ])  # fmt: skip
    steps = np.diff(ladder, axis=0)
    assert np.all(steps <= 1e-9) if event == "above" else np.all(steps >= -1e-9)


def test_above_and_at_most_are_the_whole() -> None:
    cases = world(3, 400, "rain", "above", 0.0)
    found = verify.fit_emos(cases, "censored normal", root=True)
    for limit in (-1.0, 0.0, 0.5, 4.0):
        two = [
            found.probability(Cases.of_ensemble(cases.members, limit, event=event))
            for event in ("above", "at most")
        ]
        assert two[0] + two[1] == pytest.approx(np.ones(400), abs=1e-12)
    dry = found.probability(Cases.of_ensemble(cases.members, 0.0, event="at least"))
    assert np.all(dry == 1), "rain is always at least none"


def test_more_cases_of_a_reliable_forecast_leave_it_as_it_is() -> None:
    grid = Cases.of_probabilities(np.linspace(0.02, 0.98, 97))
    away = []
    for n in (300, 20_000):
        moved = []
        for seed in range(4):
            random = np.random.default_rng(seed)
            p = random.uniform(size=n)
            o = (random.uniform(size=n) < p).astype(float)
            q = verify.fit(Cases.of_probabilities(p, o)).apply(grid)
            moved.append(float(np.abs(q - grid.raw).max()))
        away.append(np.mean(moved))
    assert away[1] < 0.02
    assert away[1] < away[0] / 2 or away[0] < 0.01


def test_the_unit_does_not_matter() -> None:
    cases = world(5, 400, "wind", "above", 0.0)
    assert cases.members is not None
    assert cases.observed is not None
    columns = {"time": cases.time, "station": cases.station, "lead": cases.lead}
    kelvin = Cases.of_ensemble(cases.members + 273.15, 274.15, cases.observed + 273.15, **columns)
    one, other = verify.fit(cases).apply(cases), verify.fit(kelvin).apply(kelvin)
    assert one == pytest.approx(other, abs=5e-3)


def test_missing_members_are_left_out_and_half_must_be_there() -> None:
    members = np.array([[9.0, 9, np.nan, 1], [9, np.nan, np.nan, 9], [9, np.nan, np.nan, np.nan]])
    cases = Cases.of_ensemble(members, 5.0)
    assert cases.raw[:2].tolist() == [2 / 3, 1.0]
    assert np.isnan(cases.raw[2])
    assert np.isnan(cases.centre[2])
    assert np.isnan(Cases.of_ensemble(members, np.nan).raw).all()
    assert np.isnan(cases.outcome).all(), "nothing was observed"


def test_rolling_fits_know_only_the_past() -> None:
    cases = world(4, 300, "wind", "above", 0.0)
    assert cases.time is not None
    order = np.argsort(cases.time)
    cases = cases.take(order)
    before = verify.rolling_calibration(cases, days=30, step_days=10, gap_h=24)
    spoilt = Cases.of_ensemble(
        cases.members, cases.limit,
        np.where(np.arange(300) >= 220, -99.0, cases.observed),
        event="above", time=cases.time,
    )  # fmt: skip
    after = verify.rolling_calibration(spoilt, days=30, step_days=10, gap_h=24)
    assert before[:220].tobytes() == after[:220].tobytes()
    assert before[240:].tobytes() != after[240:].tobytes()


def test_rolling_windows_stop_at_an_upgrade_and_keep_their_gap() -> None:
    time = np.arange(0, 24 * 100, 6.0)
    for train, test in verify.rolling_windows(time, days=40, gap_h=48, upgrades=[24 * 50.0]):
        if len(train):
            assert time[train].max() < time[test].min() - 48
            assert time[train].min() >= time[test].min() - 48 - 40 * 24
            if time[test].min() >= 24 * 50:
                assert time[train].min() >= 24 * 50
    tested = [i for _, test in verify.rolling_windows(time) for i in test]
    assert tested == list(range(len(time)))
    assert list(verify.rolling_windows(np.array([np.nan]))) == []


def test_a_fit_is_not_held_against_its_own_training() -> None:
    cases = world(2, 400, "wind", "above", 0.0)
    with pytest.raises(UsageError, match="time of the training"):
        verify.held_out(verify.fit(cases), cases)


def test_a_frame_gives_the_same_cases() -> None:
    random = np.random.default_rng(3)
    members, value = random.normal(5, 2, (90, 3)), random.normal(5, 2, 90)
    time = pd.date_range("2026-01-01", periods=90, freq="6h", tz="UTC")
    frame = pd.DataFrame(members, columns=["m1", "m2", "m3"]).assign(
        observed=value, limit=6.0, time=time, other="ignored"
    )
    direct = Cases.of_ensemble(members, 6.0, value, time=time)
    assert verify.fit(frame).apply(frame).tobytes() == verify.fit(direct).apply(direct).tobytes()
    unlimited = frame.drop(columns=["limit", "observed"])
    assert np.isfinite(verify.fit(frame).apply(unlimited)).all(), "the training's one limit"
    spread = pd.DataFrame({"mean": members.mean(axis=1), "spread": members.std(axis=1, ddof=1),
                           "limit": 6.0, "observed": value})  # fmt: skip
    assert np.isfinite(verify.fit(spread).apply(spread)).all()
    told = frame.drop(columns="observed").assign(outcome=value > 6)
    assert np.isfinite(verify.fit(told).apply(told)).all()
    yes_or_no = frame.assign(observed=value > 6)
    assert Cases.from_frame(yes_or_no).outcome.tolist() == Cases.from_frame(told).outcome.tolist()


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        ({"p": [50.0], "outcome": [1]}, "0 to 1"),
        ({"p": ["much"], "outcome": [1]}, "not made of numbers"),
        ({"observed": [1.0]}, "need a forecast"),
        ({"m1": [1.0], "m2": [1.0]}, "needs a limit"),
        ({"mean": [1.0], "limit": [1.0]}, "spread"),
        ({"p": [0.5, 0.5], "outcome": [1]}, "1 values for 2 cases"),
        ({"p": [0.5], "outcome": [0.5]}, "neither 0 nor 1"),
        ({"p": [0.5], "outcome": [1], "time": ["once"]}, "time cannot be read"),
    ],
)
def test_what_makes_no_cases_is_refused(columns: dict[str, Any], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        verify.fit(columns)


def test_outcomes_in_the_column_of_values_are_pointed_out() -> None:
    random = np.random.default_rng(3)
    frame = {"m1": random.normal(8, 1, 90), "m2": random.normal(8, 1, 90), "limit": 8.0,
             "observed": random.integers(0, 2, 90)}  # fmt: skip
    assert "name the column outcome" in verify.fit(frame).report.text()


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"format": 99}', '{"format": 1, "fitted": [{"method": "Other"}]}']
)
def test_what_is_no_stored_calibration_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="calibration"):
        Calibration.from_json(text)


def test_other_events_and_other_ensembles_are_refused() -> None:
    cases = world(2, 400, "wind", "above", 0.0)
    calibration = verify.fit(cases)
    with pytest.raises(UsageError, match="applied to"):
        calibration.apply(Cases.of_ensemble(cases.members, 1.0, event="below"))
    with pytest.raises(UsageError, match="unknown"):
        Cases.of_ensemble(cases.members, 1.0, event="over")
    with pytest.raises(UsageError, match="unknown columns"):
        Cases.of_probabilities([0.5], weather=["wet"])
