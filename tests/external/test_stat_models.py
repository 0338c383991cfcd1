"""Logistic regression, survival and attributable loss against published examples.

Each check names its source and its trust.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import median_survival_times
from scipy import special

from qa.statistics.logit import fit_logit
from qa.statistics.proportions import mantel_haenszel
from qa.statistics.survival import log_rank, survival_curve, weibull_fit


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def free(columns: int) -> np.ndarray:
    """No prior at all, to meet published maximum-likelihood values."""
    return np.full(columns, np.inf)


def test_logistic_regression_on_the_o_rings() -> None:
    # 23 flights (data agree with the file CHALLENG.DAT, read in the source; figures recomputed)
    temperature = numbers("66 70 69 68 67 72 73 70 57 63 70 78 67 53 67 75 70 81 76 79 75 76 58")
    distress = np.array(numbers("0 1 0 0 0 0 0 0 1 1 1 0 0 1 0 0 0 0 0 0 1 0 1"))
    x = np.stack([np.ones(23), np.array(temperature)], axis=1)
    fit = fit_logit(x, distress, np.arange(23), prior_sd=free(2))
    assert fit.beta == pytest.approx([15.04290, -0.232163], abs=5e-6)
    assert -2 * fit.log_likelihood == pytest.approx(20.3152, abs=5e-5)
    assert 1 / (1 + math.exp(-(fit.beta[0] + fit.beta[1] * 31))) == pytest.approx(0.99961, abs=5e-6)


def test_logistic_regression_on_spector() -> None:
    # Spector and Mazzeo data as shipped with statsmodels (published values; recomputed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own loading code, not what is tested
        import statsmodels.api as sm

        data = sm.datasets.spector.load_pandas()
    x = np.column_stack([np.ones(len(data.endog)), data.exog[["GPA", "TUCE", "PSI"]].to_numpy(dtype=float)])
    y = data.endog.to_numpy(dtype=float)
    fit = fit_logit(x, y, np.arange(len(y)), prior_sd=free(4))
    assert fit.beta == pytest.approx([-13.02135, 2.82611, 0.0951577, 2.378688], abs=1e-5)
    assert fit.log_likelihood == pytest.approx(-12.88963, abs=5e-6)


@pytest.mark.parametrize("n", [100_000, 1_000_000])
def test_logistic_regression_of_many_parts_agrees_with_statsmodels(n: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own loading code, not what is tested
        import statsmodels.api as sm

    rng = np.random.default_rng(n)
    x = np.stack([np.ones(n), (rng.random(n) < 0.3) * 1.0, rng.normal(24, 2, n)], axis=1)
    build = np.arange(n) // 10
    y = (rng.random(n) < special.expit(-2.02 + 0.0388 * x[:, 1])).astype(float)
    fit = fit_logit(x, y, build, prior_sd=free(3), floor=False)
    model = sm.Logit(y, x).fit(
        disp=0, cov_type="cluster", cov_kwds={"groups": build, "use_correction": False}
    )
    assert fit.beta == pytest.approx(model.params, abs=1e-7)
    assert fit.log_likelihood == pytest.approx(model.llf, rel=1e-12)
    assert np.sqrt(np.diag(fit.cov)) == pytest.approx(model.bse, rel=1e-4)


# Hosmer and Lemeshow's low birth weight study: smoking by race, rows smoker and not, columns low and not
BIRTHS = [[[19, 33], [4, 40]], [[6, 4], [5, 11]], [[5, 7], [20, 35]]]


def births() -> tuple[np.ndarray, np.ndarray]:
    rows, low = [], []
    for race, table in enumerate(BIRTHS):
        for smoke, counts in zip((1, 0), table, strict=True):
            for outcome, count in zip((1, 0), counts, strict=True):
                rows += [[1, smoke, race == 1, race == 2]] * count
                low += [outcome] * count
    return np.array(rows, dtype=float), np.array(low, dtype=float)


def test_logistic_regression_and_attributable_loss_on_birth_weights() -> None:
    # coefficients recomputed; the attributable fraction follows Bruzzi et al. 1985 and is recomputed by two
    # routes, since no published figure with full data was found
    x, low = births()
    fit = fit_logit(x, low, np.arange(len(low)), prior_sd=free(4))
    assert fit.beta == pytest.approx([-1.840539, 1.116004, 1.084088, 1.108563], abs=5e-6)
    assert fit.log_likelihood == pytest.approx(-109.98736, abs=5e-6)
    smoke = x[low == 1][:, 1]
    fraction = 1 - np.where(smoke == 1, math.exp(-fit.beta[1]), 1.0).mean()
    assert fraction == pytest.approx(0.341905, abs=5e-7)


def test_standardised_loss_agrees_with_direct_standardisation() -> None:
    # in a saturated model the standardised saving is the direct one (derived by hand)
    x, low = births()
    full = np.column_stack([x, x[:, 1] * x[:, 2], x[:, 1] * x[:, 3]])
    fit = fit_logit(full, low, np.arange(len(low)), prior_sd=free(6))
    none = full.copy()
    none[:, [1, 4, 5]] = 0
    saved = fit.probability.sum() - (1 / (1 + np.exp(-none @ fit.beta))).sum()
    direct = sum(t[0][0] - sum(t[0]) * t[1][0] / sum(t[1]) for t in BIRTHS)
    assert saved == pytest.approx(direct, abs=1e-6)


# Freireich 1963, weeks of remission (data from memory; source page read; figures recomputed)
TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def spells(text: str) -> tuple[list[float], list[bool]]:
    words = text.split()
    return [float(word.rstrip("+")) for word in words], [not word.endswith("+") for word in words]


def test_survival_curve_with_censoring() -> None:
    curve = survival_curve(*spells(TREATED))
    assert curve.times == (6, 7, 10, 13, 16, 22, 23)
    assert curve.survival == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=5e-5)
    assert curve.error == pytest.approx([0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], abs=5e-5)
    assert curve.median == 23
    assert survival_curve(*spells(PLACEBO)).median == 8


def test_the_median_has_the_published_interval() -> None:
    # The same remissions, 95 % by the log-log transformation: 23 (13 to no upper end) and 8 (4 to 11), as
    # programs that take this transformation print them (from memory; recomputed with lifelines, whose
    # own medians of the ends are the judge).
    for group, median, low, high in ((TREATED, 23, 13, None), (PLACEBO, 8, 4, 11)):
        curve = survival_curve(*spells(group), unit="weeks")
        assert (curve.median, curve.median_interval.low, curve.median_interval.high) == (median, low, high)
        fitter = KaplanMeierFitter().fit(*spells(group))
        ends = median_survival_times(fitter.confidence_interval_).to_numpy()[0]
        assert ends[0] == low and (ends[1] == high or math.isinf(ends[1]))
    assert "half last 8 weeks or longer (95 % 4 to 11)" in curve.sentence
    assert "(95 % 13 or more, with no upper end yet)" in survival_curve(*spells(TREATED)).sentence


def test_log_rank() -> None:
    result = log_rank(*spells(TREATED), *spells(PLACEBO))
    assert result.chi2 == pytest.approx(16.7929, abs=5e-5)
    assert result.p == pytest.approx(4.169e-05, abs=5e-9)


def test_weibull_with_censoring() -> None:
    # NIST/SEMATECH e-Handbook 8.4.1.2 (data and 1.7208, 606.5280 from memory; recomputed)
    failures = numbers("54 187 216 240 244 335 361 373 375 386")
    fit = weibull_fit(failures + [500.0] * 10, [True] * 10 + [False] * 10)
    assert fit.shape == pytest.approx(1.7208, abs=1e-4)
    assert fit.scale == pytest.approx(606.528, abs=0.05)
    assert fit.log_likelihood == pytest.approx(-75.13462, abs=1e-4)
    assert fit.shape_error == pytest.approx(0.5022, abs=1e-3)
    assert fit.scale_error == pytest.approx(124.91, abs=0.5)
    # the normal interval of the handbook's method: the estimate and 1.96 standard errors on either side
    for estimate, error, interval in (
        (fit.shape, fit.shape_error, fit.shape_interval),
        (fit.scale, fit.scale_error, fit.scale_interval),
    ):
        assert interval.low == pytest.approx(estimate - 1.96 * error, rel=1e-3)
        assert interval.high == pytest.approx(estimate + 1.96 * error, rel=1e-3)


def test_weibull_of_complete_lifetimes() -> None:
    # Bury 1999, example 17.2, data file WEIBBURY.DAT (read in the source; figures recomputed)
    values = numbers(
        "62.3 42.0 47.3 54.8 48.5 61.3 43.1 55.6 51.3 46.3 61.8 66.1 53.5 40.7 46.0 54.0 57.0 57.0 45.1 59.1"
    )
    fit = weibull_fit(values, [True] * 20)
    assert fit.shape == pytest.approx(8.117604, abs=1e-3)
    assert fit.scale == pytest.approx(55.838824, abs=1e-3)


def test_survival_of_two_groups_of_fruit_flies() -> None:
    # the 163 spells shipped with lifelines (recomputed: scale 55.7331, shape 3.4505, log-likelihood
    # -672.0622, median 56, log-rank 122.2491)
    from lifelines.datasets import load_waltons

    flies = load_waltons()
    time, event = flies["T"].to_numpy(float), flies["E"].to_numpy(bool)
    fit = weibull_fit(time, event)
    assert (fit.scale, fit.shape) == pytest.approx((55.7331, 3.4505), abs=5e-4)
    assert fit.log_likelihood == pytest.approx(-672.0622, abs=5e-4)
    assert survival_curve(time, event).median == 56
    at = (flies["group"] == "miR-137").to_numpy()
    assert log_rank(time[at], event[at], time[~at], event[~at]).chi2 == pytest.approx(122.2491, abs=5e-4)


def test_attributable_fraction_from_the_pooled_odds_ratio() -> None:
    # Miettinen's p_c (1 - 1 / OR) with the pooled odds ratio of the low birth weights (formula read in the
    # source; .343727 and, with the crude ratio, .256997 recomputed)
    pooled = mantel_haenszel([[list(row) for row in table] for table in BIRTHS]).odds_ratio
    assert pooled is not None
    assert 30 / 59 * (1 - 1 / pooled) == pytest.approx(0.343727, abs=5e-7)
    cells = np.sum(np.array(BIRTHS), axis=0)
    crude = mantel_haenszel([cells.tolist()]).odds_ratio
    assert crude == pytest.approx(2.02194, abs=5e-6)
    # exact arithmetic gives .2569965: the noted figure is rounded up in its last digit
    assert 30 / 59 * (1 - 1 / crude) == pytest.approx(0.256997, abs=1e-6)
