"""Truth: calibration on simulated and real forecasts, against known answers and scikit-learn."""

from __future__ import annotations

import doctest
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import expit, ndtr
from verify_sets import SETS, split

from wxgate import verify
from wxgate.errors import UsageError
from wxgate.verify import Cases
from wxgate.verify.bias import ShrunkBias
from wxgate.verify.recalibrate import Beta, Drawn, Isotonic, Logistic, logit

pytestmark = pytest.mark.truth

Array = np.ndarray[Any, np.dtype[Any]]


def windy(n: int, seed: int, *, limit: float = 10.0) -> tuple[Cases, Array]:
    """Wind of a stated truth, and the true probability of each case.

    signal ~ N(8, 2.5^2); wind = signal + N(0, 1.5^2); ten members = signal + 1 + N(0, 0.5^2): one
    m/s too strong, and a third of the spread that they should have.
    """
    random = np.random.default_rng(seed)
    signal = 8 + 2.5 * random.normal(size=n)
    wind = signal + 1.5 * random.normal(size=n)
    members = signal[:, None] + 1 + 0.5 * random.normal(size=(n, 10))
    truth = ndtr((signal - limit) / 1.5)
    return Cases.of_ensemble(members, limit, wind), truth


def rainy(n: int, seed: int, *, limit: float = 0.0) -> tuple[Cases, Array]:
    """Rain with many dry cases: the square of a censored normal, members too few and too wet."""
    random = np.random.default_rng(seed)
    signal = -0.3 + 1.2 * random.normal(size=n)
    rain = np.maximum(signal + 0.8 * random.normal(size=n), 0) ** 2
    members = np.maximum(signal[:, None] + 0.5 + 0.4 * random.normal(size=(n, 9)), 0) ** 2
    truth = ndtr((signal - np.sqrt(limit)) / 0.8)
    return Cases.of_ensemble(members, limit, rain), truth


def outside(p: Array, outcome: Array) -> int:
    """How many bins of ten have a mean probability outside their 99.9 % interval."""
    rows = verify.reliability_table(p, outcome, bins=10)
    found = 0
    for row in rows:
        s = verify.share(row.observed.hits, row.observed.cases, level=0.999)
        found += row.cases > 0 and not s.low - 0.01 <= row.mean_probability <= s.high + 0.01
    return found


@pytest.mark.parametrize("simulated", [windy, rainy])
def test_an_overconfident_biased_ensemble_becomes_reliable(simulated: Any) -> None:
    # Independent: the truth is known, for the cases are simulated from it.
    train, _ = simulated(20_000, 1)
    test, truth = simulated(100_000, 2)
    p = verify.fit(train).apply(test)
    # One percent is allowed for the training's own sampling error.
    assert outside(test.raw, test.outcome) >= 8, "the raw share of members is not reliable"
    assert outside(p, test.outcome) == 0
    best = verify.brier(truth, test.outcome)
    # The truth knows how dry a dry case is, which censored members cannot tell.
    assert verify.brier(p, test.outcome) < best + 0.004, "near what the truth itself would get"
    assert verify.brier(test.raw, test.outcome) > best + 0.02


def test_emos_finds_the_parameters_of_its_own_model() -> None:
    random = np.random.default_rng(3)
    members = random.normal(6, 2.5, (6000, 1)) + random.gamma(2, 0.5, (6000, 1)) * (
        random.normal(size=(6000, 12))
    )
    mu = 0.8 + 0.9 * members.mean(axis=1)
    s = np.sqrt(1.2**2 + 0.7**2 * members.var(axis=1, ddof=1))
    from scipy.stats import truncnorm

    wind = truncnorm.rvs(-mu / s, np.inf, mu, s, random_state=random)
    cases = Cases.of_ensemble(members, 8.0, wind)
    for by in ("likelihood", "crps"):
        found = verify.fit_emos(cases, "truncated normal", by=by)  # type: ignore[arg-type]
        assert (found.a, found.b) == pytest.approx((0.8, 0.9), abs=0.12), by
        assert (found.c, found.d) == pytest.approx((1.2, 0.7), abs=0.1), by


@pytest.mark.law
def test_emos_takes_fewer_parameters_from_fewer_cases() -> None:
    cases, _ = windy(400, 4)
    few = verify.fit_emos(cases.take(slice(0, 25)), "normal")
    some = verify.fit_emos(cases.take(slice(0, 50)), "normal")
    assert (few.b, few.d) == (1, 0)
    assert some.b != 1
    assert some.d == 0
    with pytest.raises(UsageError, match="two cases"):
        verify.fit_emos(cases.take(slice(0, 1)), "normal")


def test_bias_is_shrunk_by_the_formula() -> None:
    # Project notes: b = n / (n + 20) x mean error, pool first, station second; by hand.
    n = 60
    cases = Cases.of_probabilities(
        np.full(n, 0.5), station=["a"] * 20 + ["b"] * 40, lead=[3.0] * n, model=["m"] * n
    )
    error = np.concatenate([np.full(20, 4.0), np.full(40, 1.0)])
    bias = ShrunkBias.fit(cases, error)
    pooled = 60 / 80 * 2.0
    assert list(bias.pool.values()) == pytest.approx([pooled])
    assert bias.station["a"] == pytest.approx(20 / 40 * (4 - pooled))
    assert bias.station["b"] == pytest.approx(40 / 60 * (1 - pooled))
    elsewhere = Cases.of_probabilities([0.5], station=["c"], lead=[30.0], model=["m"])
    assert bias.of(elsewhere).tolist() == [0.0]


def test_isotonic_is_that_of_scikit_learn() -> None:
    from sklearn.isotonic import IsotonicRegression

    random = np.random.default_rng(8)
    p = np.round(random.uniform(size=3000), 2)
    o = (random.uniform(size=3000) < p**2).astype(float)
    theirs = IsotonicRegression(out_of_bounds="clip").fit(p, o)
    grid = np.linspace(-0.1, 1.1, 500)
    assert Isotonic.fit(p, o)(grid) == pytest.approx(theirs.predict(grid), abs=1e-9)


def test_logistic_is_that_of_scikit_learn_where_cases_are_many() -> None:
    from sklearn.linear_model import LogisticRegression

    random = np.random.default_rng(9)
    p = random.uniform(0.02, 0.98, 20000)
    o = (random.uniform(size=20000) < expit(-0.7 + 0.6 * logit(p))).astype(float)
    theirs = LogisticRegression(C=1e9).fit(logit(p)[:, None], o)
    ours = Logistic.fit(p, o)
    assert ours.a == pytest.approx(float(theirs.intercept_[0]), abs=2e-3)
    assert ours.b == pytest.approx(float(theirs.coef_[0, 0]), abs=2e-3)
    assert (ours.a, ours.b) == pytest.approx((-0.7, 0.6), abs=0.05)


def test_beta_finds_a_skewed_distortion() -> None:
    # Kull, Silva Filho and Flach 2017 (from memory): p = b/(a+b)-type distortions lie in the beta
    # family.
    random = np.random.default_rng(10)
    p = random.uniform(0.02, 0.98, 40000)
    o = (random.uniform(size=40000) < expit(0.3 + 0.5 * np.log(p) - 1.4 * np.log1p(-p))) * 1.0
    found = Beta.fit(p, o)
    assert (found.a, found.b, found.c) == pytest.approx((0.5, 1.4, 0.3), abs=0.06)


@pytest.mark.law
def test_a_forecast_without_skill_is_drawn_to_climatology() -> None:
    random = np.random.default_rng(11)
    p, o = random.uniform(size=5000), (random.uniform(size=5000) < 0.3).astype(float)
    drawn = Drawn.fit(p, o)
    assert drawn.weight < 0.05
    assert drawn.climatology == pytest.approx(o.mean(), abs=1e-3)
    q = verify.fit(Cases.of_probabilities(p, o)).apply(Cases.of_probabilities(p))
    assert np.abs(q - o.mean()).mean() < 0.02


@pytest.mark.law
def test_twenty_cases_cannot_tell() -> None:
    cases, _ = windy(20, 12)
    calibration = verify.fit(cases)
    assert not calibration.report.knowable
    assert calibration.report.method == "identity"
    assert "cannot tell" in calibration.report.text()
    assert calibration.apply(cases).tolist() == cases.raw.tolist()


@pytest.mark.law
def test_a_hundred_cases_without_an_event_know_little() -> None:
    random = np.random.default_rng(13)
    calibration = verify.fit(Cases.of_probabilities(random.uniform(0, 0.2, 100), np.zeros(100)))
    assert not calibration.report.knowable
    assert "little can be known" in calibration.report.text()


@pytest.mark.law
def test_isotonic_is_tried_from_a_thousand_independent_cases_on() -> None:
    random = np.random.default_rng(14)
    p = random.uniform(size=4000)
    o = (random.uniform(size=4000) < p).astype(float)
    many = verify.fit(Cases.of_probabilities(p, o)).report
    few = verify.fit(Cases.of_probabilities(p[:900], o[:900])).report
    assert "isotonic" in many.cross_validated_brier
    assert "isotonic" not in few.cross_validated_brier


def test_held_out_skill_on_real_forecasts(shared_data: Path) -> None:
    # Measured: observed weather. The earlier two thirds are for training, the later third is for
    # the test. The skill of every set is in tests/benchmarks/verify.py; here, for one limit of each
    # set: never worse than raw or climatology beyond twice the sampling error, and better than raw
    # in most.
    better = total = 0
    for one in SETS:
        name, cases = list(one(shared_data / "obs" / "calib"))[1]
        train, test = split(cases)
        calibration = verify.fit(train)
        found = verify.held_out(calibration, test)
        assert found.brier <= found.brier_raw + 2 * found.doubt_raw, name
        if calibration.report.knowable:
            climatology = found.brier_climatology + 2 * found.doubt_climatology
            assert found.brier <= climatology, name
        better += found.skill_against_raw > 0.05
        total += 1
    assert better >= 0.7 * total


@pytest.mark.law
def test_the_example_of_the_documentation_runs() -> None:
    found = doctest.testmod(verify)
    assert found.attempted >= 10
    assert found.failed == 0
