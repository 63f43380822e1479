"""Truth: the measures against published numbers, worked examples, and other libraries."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from verify_sets import tampere

from wxgate import verify
from wxgate.errors import UsageError
from wxgate.verdict import Grade

pytestmark = pytest.mark.truth

GO, MARGINAL, UNKNOWN, NO_GO = Grade

# Verifying probability of precipitation, an example from Finland: WWRP/WGNE Joint Working Group on
# Forecast Verification Research, the table of its page (cawcr.gov.au/projects/verification/POP3/
# POP3.html, read 2026-11). Columns: Brier, reliability, resolution, uncertainty, Brier skill.
FINLAND = {
    "Tampere 24 h, rain >= 0.3 mm": (0.144, 0.025, 0.060, 0.179, 0.194),
    "Tampere 24 h, rain >= 4.5 mm": (0.037, 0.003, 0.020, 0.054, 0.312),
    "Tampere 48 h, rain >= 0.3 mm": (0.178, 0.027, 0.036, 0.187, 0.047),
    "Tampere 48 h, rain >= 4.5 mm": (0.044, 0.003, 0.011, 0.052, 0.146),
}


def test_the_twenty_measures_of_the_finnish_rain_probabilities(shared_data: Path) -> None:
    sets = dict(tampere(shared_data / "obs" / "calib"))
    assert sets.keys() == FINLAND.keys()
    for name, cases in sets.items():
        parts = verify.brier_parts(cases.raw, cases.outcome)
        ours = (parts.brier, parts.reliability, parts.resolution, parts.uncertainty, parts.skill)
        assert ours == pytest.approx(FINLAND[name], abs=0.0005), name
        assert parts.within_bins == pytest.approx(0, abs=1e-12)


def test_finley_1884(shared_data: Path) -> None:
    # WWRP/WGNE page on Finley's tornado forecasts (cawcr.gov.au .../Finley_Tornados.html, read
    # 2026-11): accuracy, bias, POD, FAR, CSI, HK in percent; HSS and ETS to six digits from the
    # unit tests of nci/scores (tests/categorical/test_contingency.py, read 2026-11).
    table = pd.read_csv(shared_data / "obs" / "calib" / "finley_1884.csv").iloc[:, 1:].to_numpy()
    (hits, false_alarms), (misses, correct) = table.tolist()
    m = verify.contingency_measures(verify.Contingency(hits, false_alarms, misses, correct))
    assert m.accuracy == pytest.approx(0.966, abs=0.0005)
    assert m.frequency_bias == pytest.approx(1.96, abs=0.005)
    assert m.hit_rate == pytest.approx(0.549, abs=0.0005)
    assert m.false_alarm_ratio == pytest.approx(0.72, abs=0.005)
    assert m.critical_success_index == pytest.approx(0.228, abs=0.0005)
    assert m.heidke == pytest.approx(0.355325, abs=5e-7)
    assert m.gilbert == pytest.approx(0.216046, abs=5e-7)
    assert m.peirce == pytest.approx(0.523, abs=0.0005)
    # By arithmetic from the counts, computed by us.
    assert m.false_alarm_rate == pytest.approx(0.02616, abs=5e-6)
    assert m.odds_ratio == pytest.approx(45.31, abs=0.005)
    assert m.odds_ratio_skill == pytest.approx(0.9568, abs=5e-5)
    # The same page: never saying tornado would have been right in 98.2 % of the cases.
    never = verify.Contingency(0, 0, hits + misses, false_alarms + correct)
    assert verify.contingency_measures(never).accuracy == pytest.approx(0.982, abs=0.0005)
    # The K-category forms must agree with the two-category ones.
    assert verify.heidke(table) == pytest.approx(m.heidke, abs=1e-12)
    assert verify.peirce(table) == pytest.approx(m.peirce, abs=1e-12)


def test_the_unit_example_of_scores() -> None:
    # nci/scores unit tests: HK .65, ORSS .92857, SEDI .8074 (read 2026-11); the rest by arithmetic.
    m = verify.contingency_measures(verify.Contingency(9, 2, 1, 6))
    assert (m.hit_rate, m.false_alarm_rate, m.critical_success_index) == pytest.approx(
        (0.9, 0.25, 0.75)
    )
    assert m.false_alarm_ratio == pytest.approx(0.1818, abs=5e-5)
    assert m.peirce == pytest.approx(0.65, abs=5e-5)
    assert m.odds_ratio_skill == pytest.approx(0.92857, abs=5e-6)
    assert m.symmetric_extremal_dependence == pytest.approx(0.8074, abs=5e-5)


def test_the_rain_example_of_the_working_group() -> None:
    # WWRP/WGNE page on methods for yes/no forecasts; the counts are from memory.
    m = verify.contingency_measures(verify.Contingency(82, 38, 23, 222))
    ours = (m.accuracy, m.frequency_bias, m.hit_rate, m.false_alarm_ratio, m.false_alarm_rate,
            m.critical_success_index, m.gilbert, m.peirce, m.heidke,
            m.odds_ratio_skill)  # fmt: skip
    told = (0.83, 1.14, 0.78, 0.32, 0.15, 0.57, 0.44, 0.63, 0.61, 0.91)
    assert ours == pytest.approx(told, abs=0.005)
    assert m.odds_ratio == pytest.approx(20.8, abs=0.05)


@pytest.mark.law
def test_counting_leaves_out_what_is_missing() -> None:
    nan = float("nan")
    table = verify.Contingency.of([1, 1, 0, 0, 1, nan], [1, 0, 1, 0, nan, 1])
    assert table == verify.Contingency(1, 1, 1, 1)


def test_gerrity_of_three_categories() -> None:
    # Check table of the project's notes, rows forecast, columns observed: 0.57 (computed by us
    # from the formula of Gerrity 1992, which is from memory).
    table = [[50, 91, 71], [47, 2364, 170], [54, 205, 3288]]
    assert verify.gerrity(table) == pytest.approx(0.57, abs=0.005)


def test_gerrity_is_equitable_and_falls_back_to_peirce_in_two_categories() -> None:
    # Gerrity 1992 (from memory): any constant forecast gives 0, a perfect one 1; for K = 2 it is
    # Peirce's.
    observed = np.array([30, 50, 20])
    for k in range(3):
        constant = np.zeros((3, 3))
        constant[k] = observed
        assert verify.gerrity(constant) == pytest.approx(0, abs=1e-12)
    assert verify.gerrity(np.diag(observed)) == pytest.approx(1)
    finley = [[28, 72], [23, 2680]]
    assert verify.gerrity(finley) == pytest.approx(verify.peirce(finley), abs=1e-12)
    assert np.isnan(verify.gerrity([[5, 0], [3, 0]]))
    with pytest.raises(UsageError):
        verify.gerrity([[1, 2, 3], [4, 5, 6]])


@pytest.mark.law
def test_a_table_of_categories_is_counted_forecast_by_observed() -> None:
    table = verify.multicategory_table([0, 0, 2, 1], [0, 1, 2, float("nan")], 3)
    assert table.tolist() == [[1, 1, 0], [0, 0, 0], [0, 0, 1]]


def test_the_roc_of_mason_and_graham(shared_data: Path) -> None:
    # Mason and Graham 2002, Q. J. R. Meteorol. Soc. 128:2145, the forecasts of 1981 to 1995: areas
    # 0.875 without ties and 0.839 with ties (from memory); scikit-learn is asked too.
    from sklearn.metrics import roc_auc_score

    frame = pd.read_csv(shared_data / "obs" / "calib" / "mason_graham_2002_roc.csv")
    event = frame.event.to_numpy(dtype=float)
    for column, area in (("p_noties", 0.875), ("p_ties", 0.839)):
        p = frame[column].to_numpy()
        found = verify.roc(p, event)
        assert found.area == pytest.approx(area, abs=0.0005)
        assert found.area == pytest.approx(roc_auc_score(event, p), abs=1e-12)
        assert found.hit_rate[0] == found.false_alarm_rate[0] == 1
        below = -np.trapezoid(found.hit_rate, found.false_alarm_rate)
        assert below == pytest.approx(found.area, abs=1e-12)
    # The exact share of the C(15, 7) = 6435 orders that discriminate so well (computed by us).
    assert verify.roc(frame.p_noties, event).p_value == pytest.approx(45 / 6435, rel=1e-9)
    with pytest.raises(UsageError, match="events and non-events"):
        verify.roc(frame.p_ties, np.ones(len(frame)))


def test_the_parts_of_the_brier_score_by_hand() -> None:
    # Murphy 1973, J. Appl. Meteorol. 12:595; figures by hand, computed by us.
    p = np.repeat([0.1, 0.3, 0.5, 0.7, 0.9], [40, 20, 10, 10, 20])
    o = np.concatenate([
        np.repeat([1.0, 0.0], [k, n - k])
        for n, k in ((40, 2), (20, 5), (10, 6), (10, 7), (20, 18))
    ])  # fmt: skip
    parts = verify.brier_parts(p, o)
    assert parts.brier == pytest.approx(0.1220, abs=5e-5)
    assert parts.reliability == pytest.approx(0.0025, abs=5e-5)
    assert parts.resolution == pytest.approx(0.1161, abs=5e-5)
    assert parts.uncertainty == pytest.approx(0.2356, abs=5e-5)
    assert parts.skill == pytest.approx(0.4822, abs=5e-5)


def test_the_ends_of_the_brier_score() -> None:
    # Murphy 1973, by definition: 0 for a perfect forecast, the uncertainty for a constant one at
    # the frequency.
    o = np.array([1.0, 0, 0, 1, 0])
    assert verify.brier(o, o) == 0
    assert verify.brier(np.full(5, 0.4), o) == pytest.approx(0.24)
    assert verify.brier_skill(o, 0.4, o) == 1
    assert np.isnan(verify.brier_skill(o, o, o))
    parts = verify.brier_parts(np.array([0.11, 0.19, 0.9]), np.array([0.0, 1, 1]), bins=5)
    whole = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bins
    assert parts.brier == pytest.approx(whole, abs=1e-15)
    assert parts.within_bins != pytest.approx(0, abs=1e-4)


def test_brier_agrees_with_scikit_learn() -> None:
    from sklearn.metrics import brier_score_loss

    random = np.random.default_rng(5)
    p = random.uniform(size=400)
    o = (random.uniform(size=400) < p).astype(float)
    assert verify.brier(p, o) == pytest.approx(brier_score_loss(o, p), abs=1e-15)


def test_crps_of_ensembles_agrees_with_properscoring() -> None:
    import properscoring

    random = np.random.default_rng(6)
    members, y = random.gamma(2, 3, (200, 11)), random.gamma(2, 3, 200)
    assert verify.crps_ensemble(members, y) == pytest.approx(
        properscoring.crps_ensemble(y, members), abs=1e-12
    )
    # Fair, of two members: mean |x - y| - |x1 - x2| / 2 (Ferro 2014), by hand.
    assert verify.crps_ensemble(np.array([[1.0, 3.0]]), np.array([2.5]), fair=True) == (
        pytest.approx([(1.5 + 0.5) / 2 - 1.0])
    )
    members[0, 3:] = np.nan
    assert verify.crps_ensemble(members[:1], y[:1]) == pytest.approx(
        properscoring.crps_ensemble(y[:1], members[:1, :3]), abs=1e-12
    )
    assert np.isnan(verify.crps_ensemble(members[:1], np.array([np.nan])))[0]


@pytest.mark.parametrize(
    ("mu", "s", "y"), [(5, 2, 3), (0.5, 2, 0), (-3, 1, 0.2), (-30, 2, 0.1), (2, 1, -1), (2, 3, 9)]
)
def test_crps_of_the_truncated_normal_is_the_integral(mu: float, s: float, y: float) -> None:
    # The definition, integral of (F - 1{x >= y})^2, by quadrature over scipy's distribution.
    from scipy.integrate import quad
    from scipy.stats import truncnorm

    d = truncnorm(-mu / s, np.inf, mu, s)
    top = max(float(d.ppf(1 - 1e-13)), y)
    parts = [(min(y, 0.0), 0.0), (0.0, max(y, 0.0)), (max(y, 0.0), top)]
    whole = sum(
        quad(lambda x: (d.cdf(x) - (x >= y)) ** 2, a, b, limit=200)[0] for a, b in parts if b > a
    )
    ours = float(verify.crps_truncated_normal(np.array(mu), np.array(s), np.array(y)))
    assert ours == pytest.approx(whole, rel=1e-6)


def test_crps_of_the_normal_agrees_with_properscoring() -> None:
    import properscoring

    mu, s, y = np.array([0.0, 2, -5]), np.array([1.0, 0.3, 9]), np.array([0.5, 4, -20])
    assert verify.crps_normal(mu, s, y) == pytest.approx(
        properscoring.crps_gaussian(y, mu, s), abs=1e-12
    )


def test_crps_of_quantiles_is_that_of_scores_for_the_same_straight_lines() -> None:
    """Against scores 2.7, crps_cdf (exact for a function of straight lines), case by case."""
    import xarray as xr
    from scores.probability import crps_cdf

    random = np.random.default_rng(8)
    shares = np.array([0.1, 0.5, 0.9])
    for _ in range(40):
        q, y = np.sort(random.gamma(2, 3, 3)), random.gamma(2, 3)
        ends = [q[0] - (q[1] - q[0]) / 4, q[2] + (q[2] - q[1]) / 4]  # 0.1 and 0.4 of the mass
        nodes = np.array([ends[0], *q, ends[1]])
        axis = np.unique([*nodes, y, min(ends[0], y) - 1, max(ends[1], y) + 1])
        function = np.interp(axis, nodes, [0, *shares, 1])
        theirs = crps_cdf(
            xr.DataArray(function[None], dims=("case", "x"), coords={"x": axis}),
            xr.DataArray([y], dims="case"), threshold_dim="x",
        )  # fmt: skip
        ours = verify.crps_quantiles(q[None], shares, np.array([y]))
        assert ours == pytest.approx([float(theirs.total)], rel=1e-9)


@pytest.mark.parametrize("y", [-1.0, 0.0, 0.05, 0.5, 0.93, 1.0, 4.0])
def test_crps_of_quantiles_of_a_uniform_distribution_is_exact(y: float) -> None:
    """|y - z| + z^2 - z + 1/3, z = y within 0 to 1 (Jordan et al. 2019, J. Stat. Softw. 90(12),
    appendix A.3; from memory): its function is a straight line, whatever the shares."""
    z = min(max(y, 0.0), 1.0)
    for shares in ([0.1, 0.5, 0.9], [0.2, 0.3], [0.05, 0.25, 0.5, 0.75, 0.95]):
        found = verify.crps_quantiles(np.array([shares]), shares, np.array([y]))
        assert found == pytest.approx([abs(y - z) + z * z - z + 1 / 3])


@pytest.mark.parametrize(("least", "most"), [(0.0, np.inf), (2.0, np.inf), (-np.inf, 5.0), (1, 4)])
@pytest.mark.parametrize("y", [-2.0, 0.3, 2.5, 4.2, 9.0])
def test_crps_of_quantiles_within_bounds_is_the_integral_between_them(
    least: float, most: float, y: float
) -> None:
    """The definition by quadrature; beyond the bounds both functions are 0, or both 1."""
    from scipy.integrate import quad

    shares, q = [0.1, 0.5, 0.9], np.array([0.5, 3.0, 6.0])
    nodes = [0.5 - 2.5 / 4, *q, 6.0 + 3 / 4]
    held = min(max(y, least), most)
    low, high = max(least, -5.0), min(most, 12.0)
    cuts = sorted({low, high, *(x for x in (*nodes, held) if low < x < high)})

    def squared(x: float) -> float:
        return float((np.interp(x, nodes, [0, *shares, 1]) - (x >= held)) ** 2)

    whole = sum(quad(squared, a, b)[0] for a, b in pairwise(cuts))
    found = verify.crps_quantiles(q[None], shares, np.array([y]), least=least, most=most)
    assert found == pytest.approx([whole], abs=1e-8)


def test_crps_of_quantiles_of_a_normal_law_is_as_near_as_it_says() -> None:
    """Mean over the law itself: 1 / sqrt(pi) deviations (Gneiting et al. 2005); ours 0.7 % more."""
    from scipy.stats import norm

    shares, y = [0.1, 0.5, 0.9], norm.ppf((np.arange(20000) + 0.5) / 20000)
    found = verify.crps_quantiles(np.tile(norm.ppf(shares), (len(y), 1)), shares, y).mean()
    assert found * np.sqrt(np.pi) == pytest.approx(1.007, abs=5e-4)


def test_crps_of_quantiles_of_one_number_is_the_absolute_error_and_missing_stays_missing() -> None:
    # By hand: 4 less 2.5.
    q = np.array([[4.0, 4, 4], [4, np.nan, 5], [5, 4, 6], [4, 4, 4]])
    found = verify.crps_quantiles(q, [0.1, 0.5, 0.9], np.array([2.5, 3, 3, np.nan]))
    assert found[0] == pytest.approx(1.5)
    assert np.isnan(found[1:]).all()
    with pytest.raises(UsageError, match="do not fit"):
        verify.crps_quantiles(q, [0.5, 0.1, 0.9], np.array([2.5, 3, 3, 3]))


def test_intervals_of_shares() -> None:
    # Project notes, "0/20 up to 16 %, 1/30 0.6 to 17 %, 5/100 2 to 11 %"; 0.168 for 0/20 is the
    # exact one, 1 - 0.025^(1/20), by hand.
    assert verify.share(0, 20).high == pytest.approx(0.16, abs=0.005)
    assert verify.share(1, 30)[1:3] == pytest.approx((0.006, 0.167), abs=0.0005)
    assert verify.share(5, 100)[1:3] == pytest.approx((0.02, 0.11), abs=0.005)
    assert verify.share(0, 20, kind="clopper-pearson").high == pytest.approx(1 - 0.025**0.05)
    with pytest.raises(UsageError):
        verify.share(3, 2)
    assert np.isnan(verify.share(0, 0).high)


@pytest.mark.parametrize(("kind", "name"), [("wilson", "wilson"), ("clopper-pearson", "exact")])
def test_intervals_of_shares_agree_with_scipy(kind: str, name: str) -> None:
    from scipy.stats import binomtest

    for hits, n in ((0, 7), (1, 30), (5, 100), (12, 12)):
        told = binomtest(hits, n).proportion_ci(method=name)
        ours = verify.share(hits, n, kind=kind)  # type: ignore[arg-type]
        assert (ours.low, ours.high) == pytest.approx((told.low, told.high), abs=1e-12)


def test_jeffreys_interval_is_that_of_its_paper() -> None:
    # Brown, Cai and DasGupta 2001, Statist. Sci. 16:101: quantiles of Beta(x + 1/2, n - x + 1/2).
    from scipy.stats import beta

    ours = verify.share(3, 25, kind="jeffreys")
    assert (ours.low, ours.high) == pytest.approx(beta.ppf([0.025, 0.975], 3.5, 22.5), abs=1e-12)


def test_dependent_cases_are_worth_fewer() -> None:
    # Computed by us: 500 hours with r = 0.8 are 56 cases, 500 x 0.2 / 1.8; the formula is Wilks's
    # (from memory).
    assert verify.effective_size(500, 0.8) == pytest.approx(56, abs=0.5)
    assert verify.effective_size(500, -0.3) == 500
    # A simulated first-order series of r = 0.8 must be seen as such.
    random = np.random.default_rng(7)
    series = np.zeros(20000)
    for i, kick in enumerate(random.normal(size=20000)):
        series[i] = 0.8 * series[i - 1] + kick
    assert verify.autocorrelation(series) == pytest.approx(0.8, abs=0.02)
    time = np.arange(20000.0)
    assert verify.effective_cases(series, time) == pytest.approx(20000 / 9, rel=0.1)
    # Ten stations that say the same are one.
    ten, at = np.tile(series[:2000], 10), np.tile(time[:2000], 10)
    assert verify.effective_cases(ten, at) == pytest.approx(
        verify.effective_cases(series[:2000], time[:2000]), rel=0.05
    )
    apart = random.normal(size=5000)
    assert verify.effective_cases(apart, np.tile(np.arange(500.0), 10)) > 4000


def test_reliability_table_of_a_small_set() -> None:
    # By hand.
    p = np.array([0.05, 0.1, 0.6, 0.95, 1.0, np.nan])
    o = np.array([0.0, 1, 1, 1, 1, 1])
    rows = verify.reliability_table(p, o)
    assert [row.cases for row in rows] == [2, 0, 0, 1, 2]
    assert rows[0].mean_probability == pytest.approx(0.075)
    assert rows[0].observed.value == 0.5
    assert np.isnan(rows[1].mean_probability)
    assert np.isnan(rows[1].observed.high)
    assert rows[3].low == pytest.approx(0.6), "0.6 belongs to the bin that begins there"


def test_firm_by_hand() -> None:
    # Taggart, Loveday and Griffiths 2022: a miss costs alpha, a false alarm 1 - alpha, times the
    # weight of each step passed. Steps 1 (marginal) and 2 (no-go), alpha 0.85; by hand.
    costs = verify.Costs(0.85, (1.0, 2.0))
    assert verify.firm([GO], [NO_GO], costs) == pytest.approx(0.85 * (1 + 2))
    assert verify.firm([NO_GO], [GO], costs) == pytest.approx(0.15 * (1 + 2))
    assert verify.firm([MARGINAL], [NO_GO], costs) == pytest.approx(0.85 * 2)
    assert verify.firm([NO_GO, UNKNOWN], [NO_GO, GO], costs) == 0


def test_risk_matrix_by_hand() -> None:
    # Taggart and Wilke 2025: at each p_j a false alarm costs p_j and a miss 1 - p_j; by hand.
    assert verify.risk_matrix([0.3], [1], [0.1, 0.6]) == pytest.approx(0.4)
    assert verify.risk_matrix([0.7], [0], [0.1, 0.6]) == pytest.approx(0.7)
    assert verify.risk_matrix([0.05], [0], [0.1, 0.6]) == 0


def test_flip_flop_of_the_example_of_its_library() -> None:
    # The docstring of scores.continuous.flip_flop_index (scores 2.7, read 2026-11): 50, 20, 40, 80
    # gives 15.
    assert verify.flip_flop([50, 20, 40, 80]) == pytest.approx(15)
    assert verify.flip_flop([0, 1, 2, 3]) == 0
    with pytest.raises(UsageError, match="three runs"):
        verify.flip_flop([0, 1])


def test_no_bad_hour_in_twenty_says_almost_nothing() -> None:
    # Computed by us (project notes): no case in 20 leaves up to 16 %.
    found = verify.false_go([GO] * 20 + [NO_GO, UNKNOWN], [GO, MARGINAL] * 10 + [NO_GO, NO_GO])
    assert (found.hits, found.cases) == (0, 20)
    assert found.high == pytest.approx(0.16, abs=0.005)
    fewer = verify.false_go([GO] * 20, [GO] * 20, worth=0.5)
    assert fewer.high > found.high
    one = verify.false_go([GO, GO, GO], [GO, NO_GO, UNKNOWN])
    assert (one.hits, one.cases) == (1, 2)
    missed = verify.missed_go([NO_GO, GO, MARGINAL, UNKNOWN], [GO, GO, GO, GO])
    assert (missed.hits, missed.cases) == (1, 3)


def test_windows_that_were_missed() -> None:
    # By hand: of three windows the middle one is missed.
    observed = [(0, 3), (5, 7), (9, 10)]
    assert verify.missed_windows([(2, 5), (9, 12)], observed).value == pytest.approx(1 / 3)
    assert verify.missed_windows([], observed).value == 1


def test_a_report_without_gust_group_bounds_the_gust() -> None:
    # ICAO Annex 3, app. 3 (a draft, read 2026-11): a gust is told only from 10 kt over the mean on;
    # steps of 1 kt.
    kt = 1852 / 3600
    low, high = verify.gust_bounds([8 * kt, 8 * kt, np.nan], [np.nan, 20 * kt, np.nan])
    assert low[:2] == pytest.approx([7.5 * kt, 19.5 * kt])
    assert high[:2] == pytest.approx([18.5 * kt, 20.5 * kt])
    told = verify.gust_outcome(low, high, np.array([19 * kt, 19 * kt, 19 * kt]))
    assert told[:2].tolist() == [0, 1]
    assert np.isnan(told[2])
    assert np.isnan(verify.gust_outcome(low[0], high[0], 12 * kt)), "12 kt: it cannot be told"
    event = verify.reported_gust([8 * kt, 8 * kt, np.nan], [np.nan, 20 * kt, np.nan])
    assert event[:2].tolist() == [0, 1]
    assert np.isnan(event[2])


@pytest.mark.law
def test_probabilities_must_be_probabilities() -> None:
    with pytest.raises(UsageError, match="0 to 1"):
        verify.brier(np.array([50.0]), np.array([1.0]))
    with pytest.raises(UsageError, match="no case"):
        verify.brier(np.array([np.nan]), np.array([1.0]))
    with pytest.raises(UsageError, match="do not pair"):
        verify.brier(np.array([0.5, 0.5]), np.array([1.0]))
    with pytest.raises(UsageError, match="bins"):
        verify.reliability_table(np.array([0.5]), np.array([1.0]), bins=[0.2, 1.0])
