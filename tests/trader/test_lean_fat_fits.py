"""The fits of lean and fat against statsmodels: Huber's line and its errors, least absolute
deviations behind its scale, deleted residuals."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import statsmodels.api as sm

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import Method, deleted_residuals, fit_bend, fit_line, items_off

DAY = date(2026, 3, 2)


def market(seed: int, count: int = 9, *, has_pounds: bool = False) -> list[Quotation]:
    """Items about lean 4 and fat -1 USD/lb, some of them wild."""
    draw = np.random.default_rng(seed)
    leans = draw.choice(np.arange(300, 970), count, replace=False) / 1000
    wild = 0.7 * (draw.random(count) < 0.2)
    prices = 5 * leans - 1 + draw.normal(0, 0.06, count) + wild
    pounds = draw.choice((1_000.0, 8_000.0, 40_000.0), count)
    return [
        Quotation(str(lean), "beef", lean, price, DAY, pounds_lb=lb if has_pounds else None)
        for lean, price, lb in zip(leans.tolist(), prices.tolist(), pounds.tolist(), strict=True)
    ]


def shares(quotations) -> np.ndarray:
    return np.array([(each.lean, 1 - each.lean) for each in quotations])


def huber(rows: np.ndarray, prices: np.ndarray, scale: float):
    model = sm.RLM(prices, rows, M=sm.robust.norms.HuberT(1.345))
    return model.fit(start_params=np.linalg.lstsq(rows, prices)[0], start_scale=scale,
                     update_scale=False, cov="H1", tol=1e-13, maxiter=5_000)  # fmt: skip


@pytest.mark.parametrize("has_pounds", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_the_line_its_scale_and_its_errors(seed, has_pounds):
    quotations = market(seed, has_pounds=has_pounds)
    line = fit_line(quotations, by_pounds=has_pounds)
    assert line.method is Method.ROBUST
    pounds = np.array([each.pounds_lb or 1.0 for each in quotations])
    roots = np.sqrt(pounds / pounds.mean())
    rows = shares(quotations) * roots[:, None]
    prices = np.array([each.usd_per_lb for each in quotations]) * roots
    absolute = sm.QuantReg(prices, rows).fit(q=0.5, max_iter=50_000, p_tol=1e-10)
    distances = np.sort(np.abs(absolute.resid))[2:]
    assert line.scale_usd_per_lb == pytest.approx(1.4826 * np.median(distances), rel=1e-3)
    fit = huber(rows, prices, line.scale_usd_per_lb)
    assert (line.lean_usd_per_lb, line.fat_usd_per_lb) == pytest.approx(fit.params, rel=1e-6)
    assert np.array(line.covariance) == pytest.approx(fit.cov_params(), rel=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_the_bend_and_its_error(seed):
    quotations = market(seed)
    leans = np.array([each.lean for each in quotations])
    middle, span = (leans.min() + leans.max()) / 2, leans.max() - leans.min()
    rows = np.column_stack([shares(quotations), (leans - middle) ** 2])
    prices = np.array([each.usd_per_lb for each in quotations])
    absolute = sm.QuantReg(prices, rows).fit(q=0.5, max_iter=50_000, p_tol=1e-10)
    scale = 1.4826 * np.median(np.sort(np.abs(absolute.resid))[3:])
    fit = huber(rows, prices, scale)
    bend = fit_bend(quotations)
    assert bend.difference_usd_per_lb == pytest.approx(4 * fit.params[2] * span / 2 / 100, rel=1e-3)
    assert bend.error_usd_per_lb == pytest.approx(2 * span / 100 * fit.bse[2], rel=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_deleted_residuals_are_externally_studentized(seed):
    quotations = market(seed)
    prices = np.array([each.usd_per_lb for each in quotations])
    found = deleted_residuals(shares(quotations), prices, np.ones(len(prices)))
    ratios = (prices - found.predicted) / found.error
    influence = sm.OLS(prices, shares(quotations)).fit().get_influence()
    assert ratios == pytest.approx(influence.resid_studentized_external, rel=1e-8)


def test_the_best_set_of_two_is_the_one_of_least_squares_without_it():
    """By least squares over all pairs: the test of two is exactly of the best of them."""
    quotations = market(2, 8)
    prices = np.array([5 * each.lean - 1 for each in quotations])
    prices += np.random.default_rng(3).normal(0, 0.02, 8)
    prices[[1, 6]] += 0.5
    design = np.column_stack([shares(quotations), np.array([e.lean for e in quotations]) ** 2])
    off, p_value, _ = items_off(design, prices, np.ones(8))
    assert off == {1, 6} and p_value < 0.01
    rest = [0, 2, 3, 4, 5, 7]
    without = sm.OLS(prices[rest], design[rest]).fit()
    found = deleted_residuals(design, prices, np.ones(8), off)
    assert found.predicted[1] == pytest.approx(without.predict(design[1]).item())


def test_too_few_for_a_robust_fit_are_fitted_by_least_squares():
    quotations = market(1, 3)
    line = fit_line(quotations)
    fit = sm.OLS([each.usd_per_lb for each in quotations], shares(quotations)).fit()
    assert line.method is Method.LEAST_SQUARES and line.covariance is None
    assert (line.lean_usd_per_lb, line.fat_usd_per_lb) == pytest.approx(fit.params)
    same = [replace(each, lean=0.8) for each in quotations]
    with pytest.raises(ValueError, match="different lean"):
        fit_line(same)
