"""Lean and fat apart: what a pound of each is worth, from prices of items that hold both.

An item of lean share a is priced P = a L + (1 - a) F: a line over lean, with the price L of a
pound of lean at one end and F of a pound of fat at the other. Two items solve it exactly; more
are fitted. F is arithmetic, not a price at which fat trades: it is often negative and is given
as it comes out. Both ends lie beyond what is quoted; the standard errors say how much that costs.

The robust fit is Huber's (Annals of Mathematical Statistics 35, 1964; k and the covariance as
in Huber, Robust Statistics, 1981, section 7.6, from memory). Its scale is the median absolute
distance from the line of least absolute deviations, the two items on that line left out
(Maronna, Martin and Yohai, Robust Statistics, 2006, section 4.4, from memory).

Whether one item is rich or cheap is another question, answered by its deleted residual: its
distance from a least-squares line through the other items, by t quantiles, with the false
discovery rate over all items controlled (Benjamini and Hochberg 1995). A curve through the other
items must agree, so that a bent market does not make its ends look rich.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import groupby

import numpy as np

from blend.domain.quotations import Quotation, labels_of
from blend.units import POINTS_PER_SHARE

_HUBER_K = 1.345
"""95% efficient where prices scatter normally (Huber 1964, from memory)."""
_MAD_TO_SD = 1.4826
"""1 / 0.6745, the upper quartile of the normal distribution."""
MIN_TICK_USD_PER_LB = 0.0025
"""Prices are quoted in quarter cents at best, so no scale is taken to be finer (own rule)."""
FALSE_RATE = 0.05
"""Share of fair days on which any item may be called rich or cheap, at most."""
CONFIDENCE = 0.95
_SPARE_ITEMS = 2
"""Items beyond the numbers fitted that a scale needs: with fewer it would rest on one distance
(a robust scale needs four readings of one number: Rousseeuw and Verboven, Computational
Statistics and Data Analysis 40, 2002)."""


Covariance = tuple[tuple[float, float], tuple[float, float]]


class Method(StrEnum):
    TWO_ITEMS = "two items, solved exactly"
    ROBUST = "all items, Huber's robust fit"
    LEAST_SQUARES = "all items, least squares"
    """Too few items for a robust fit, or so scattered that it rests on none of them."""


@dataclass(frozen=True, slots=True)
class LeanLine:
    """The price of any lean share between the price of lean and that of fat.

    `covariance` is of (lean, fat), USD² per lb², and `scale_usd_per_lb` the standard error of
    one quotation; both None where too few items or no error was given.
    """

    method: Method
    lean_usd_per_lb: float
    fat_usd_per_lb: float
    covariance: Covariance | None = None
    scale_usd_per_lb: float | None = None
    degrees: int = 0
    """Degrees of freedom of the scale: items fitted less the two numbers found."""

    @property
    def spread_usd_per_lb(self) -> float:
        """Lean minus fat: also what a whole unit of lean share adds to a price."""
        return self.lean_usd_per_lb - self.fat_usd_per_lb

    @property
    def point_usd_per_lb(self) -> float:
        """What one lean point adds to the price of a pound."""
        return self.spread_usd_per_lb / POINTS_PER_SHARE

    @property
    def lean_error_usd_per_lb(self) -> float | None:
        return self._error_of(1.0, 0.0)

    @property
    def fat_error_usd_per_lb(self) -> float | None:
        return self._error_of(0.0, 1.0)

    @property
    def spread_error_usd_per_lb(self) -> float | None:
        return self._error_of(1.0, -1.0)

    def at(self, lean: float) -> float:
        """The line's price of a pound with this lean."""
        return lean * self.lean_usd_per_lb + (1 - lean) * self.fat_usd_per_lb

    def error_at(self, lean: float) -> float | None:
        """Standard error of `at`."""
        return self._error_of(lean, 1 - lean)

    def prediction_error_at(self, lean: float) -> float | None:
        """Standard error of one more quotation's distance from the line."""
        error = self.error_at(lean)
        if error is None or self.scale_usd_per_lb is None:
            return None
        return float(np.hypot(self.scale_usd_per_lb, error))

    @property
    def t_quantile(self) -> float:
        """Standard errors on each side of a 95% interval; NaN without degrees of freedom."""
        from scipy.stats import t

        return float(t.ppf((1 + CONFIDENCE) / 2, self.degrees)) if self.degrees else math.nan

    def _error_of(self, lean: float, fat: float) -> float | None:
        if self.covariance is None:
            return None
        weights = np.array([lean, fat])
        return float(np.sqrt(max(0.0, weights @ np.array(self.covariance) @ weights)))


# Two items ---------------------------------------------------------------------------------------


def solve_two_items(
    one: Quotation,
    other: Quotation,
    errors_usd_per_lb: tuple[float, float] | None = None,
) -> LeanLine:
    """The line through two items of different lean; raises ValueError where it is the same.

    `errors_usd_per_lb` are the standard errors of the two prices, taken as independent.
    """
    if one.lean == other.lean:
        raise ValueError(f"{one.item} and {other.item} have the same lean")
    shares = _shares(one, other)
    lean, fat = np.linalg.solve(shares, [one.usd_per_lb, other.usd_per_lb])
    covariance = None
    if errors_usd_per_lb is not None:
        inverse = np.linalg.inv(shares)
        covariance = inverse @ np.diag(np.square(errors_usd_per_lb)) @ inverse.T
    return LeanLine(Method.TWO_ITEMS, float(lean), float(fat), _as_tuples(covariance))


# All items ---------------------------------------------------------------------------------------


def fit_line(quotations: Sequence[Quotation], *, by_pounds: bool = False) -> LeanLine:
    """The robust line of all quotations; least squares where there are fewer than four.

    `by_pounds` takes a quotation's variance to fall as the weight behind it grows. Raises
    ValueError where all have the same lean, or where weights are wanted and one states none.
    """
    if len({quotation.lean for quotation in quotations}) < 2:
        raise ValueError("a line needs two items of different lean")
    fit = _fit(_shares(*quotations), quotations, by_pounds)
    lean, fat = (float(value) for value in fit.values)
    degrees = 0 if fit.scale is None else len(quotations) - 2
    return LeanLine(fit.method, lean, fat, _as_tuples(fit.covariance), fit.scale, degrees)


@dataclass(frozen=True, slots=True)
class Bend:
    """How the value of a lean point changes from fat items to lean ones.

    Fitted as a parabola, robustly. Where it rises, buyers pay most for the last points to 90s
    and above: lean is scarce relative to fat.
    """

    point_at_fattest_usd_per_lb: float
    point_at_leanest_usd_per_lb: float
    error_usd_per_lb: float
    """Standard error of the difference of the two."""
    degrees: int

    @property
    def is_established(self) -> bool:
        """Whether the difference is more than scatter explains, by Student's t."""
        from scipy.stats import t

        limit = t.ppf((1 + CONFIDENCE) / 2, self.degrees) * self.error_usd_per_lb
        return abs(self.difference_usd_per_lb) > limit

    @property
    def difference_usd_per_lb(self) -> float:
        return self.point_at_leanest_usd_per_lb - self.point_at_fattest_usd_per_lb


def fit_bend(quotations: Sequence[Quotation], *, by_pounds: bool = False) -> Bend | None:
    """The bend of prices over lean; None with fewer than five items, or three leans."""
    leans = np.array([quotation.lean for quotation in quotations])
    if len(quotations) < 3 + _SPARE_ITEMS or len(set(leans.tolist())) < 3:
        return None
    fit = _fit(_curve_design(quotations), quotations, by_pounds)
    if fit.covariance is None:
        return None
    lean, fat, bend = fit.values
    turn = 2 * bend * (leans.max() - leans.min()) / POINTS_PER_SHARE
    error = 2 * (leans.max() - leans.min()) / POINTS_PER_SHARE * np.sqrt(fit.covariance[2, 2])
    point = (lean - fat) / POINTS_PER_SHARE
    degrees = len(quotations) - 3
    return Bend(float(point - turn / 2), float(point + turn / 2), float(error), degrees)


@dataclass(frozen=True)
class _Fit:
    method: Method
    values: np.ndarray
    covariance: np.ndarray | None
    scale: float | None


def _fit(design: np.ndarray, quotations: Sequence[Quotation], by_pounds: bool) -> _Fit:
    from scipy.optimize import least_squares

    prices = np.array([quotation.usd_per_lb for quotation in quotations])
    roots = np.sqrt(_weights(quotations, by_pounds))
    rows, wanted = design * roots[:, None], prices * roots
    count, numbers = design.shape
    squares = np.linalg.lstsq(rows, wanted, rcond=None)[0]
    if count < numbers + _SPARE_ITEMS:
        return _Fit(Method.LEAST_SQUARES, squares, None, None)
    scale = _scale(rows, wanted)
    fit = least_squares(
        lambda values: (rows @ values - wanted) / scale,
        squares,
        jac=lambda values: rows / scale,
        loss="huber",
        f_scale=_HUBER_K,
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    distances = (rows @ fit.x - wanted) / scale
    if not np.any(np.abs(distances) <= _HUBER_K):
        residuals = wanted - rows @ squares
        variance = float(residuals @ residuals) / (count - numbers)
        covariance = variance * np.linalg.inv(rows.T @ rows)
        return _Fit(Method.LEAST_SQUARES, squares, covariance, math.sqrt(variance))
    return _Fit(Method.ROBUST, fit.x, scale**2 * _huber_covariance(rows, distances), scale)


def _scale(rows: np.ndarray, wanted: np.ndarray) -> float:
    """Standard error of one quotation, from distances to the line of least absolute ones."""
    from scipy.optimize import linprog

    count, numbers = rows.shape
    eye = np.eye(count)
    answer = linprog(
        np.concatenate([np.zeros(numbers), np.ones(2 * count)]),
        A_eq=np.hstack([rows, eye, -eye]),
        b_eq=wanted,
        bounds=[(None, None)] * numbers + [(0, None)] * (2 * count),
    )
    distances = np.sort(np.abs(rows @ answer.x[:numbers] - wanted))[numbers:]
    return max(MIN_TICK_USD_PER_LB, _MAD_TO_SD * float(np.median(distances)))


def _huber_covariance(rows: np.ndarray, distances: np.ndarray) -> np.ndarray:
    """Covariance of the numbers fitted, in units of the scale squared."""
    count, numbers = rows.shape
    inside = float(np.mean(np.abs(distances) <= _HUBER_K))
    clipped = np.clip(distances, -_HUBER_K, _HUBER_K)
    small_sample = 1 + numbers / count * (1 - inside) / inside
    spread = float(clipped @ clipped) / (count - numbers)
    return small_sample**2 * spread / inside**2 * np.linalg.inv(rows.T @ rows)


def _weights(quotations: Sequence[Quotation], by_pounds: bool) -> np.ndarray:
    if not by_pounds:
        return np.ones(len(quotations))
    if any(quotation.pounds_lb is None for quotation in quotations):
        raise ValueError("a quotation states no pounds")
    pounds = np.array([quotation.pounds_lb for quotation in quotations])
    return pounds / pounds.mean()


def _shares(*quotations: Quotation) -> np.ndarray:
    return np.array([(each.lean, 1 - each.lean) for each in quotations])


def _as_tuples(covariance: np.ndarray | None) -> Covariance | None:
    if covariance is None:
        return None
    (a, b), (c, d) = covariance.tolist()
    return (a, b), (c, d)


# Items against the line --------------------------------------------------------------------------


class Standing(StrEnum):
    RICH = "rich"
    CHEAP = "cheap"
    IN_LINE = ""
    TOO_FEW = "too few items"
    NOT_JUDGED = "not judged"
    """Of another form than the line: thaw loss and freight lie between."""


@dataclass(frozen=True, slots=True)
class ItemValue:
    """One item against the line: of a fitted item, the line through the other fitted items."""

    label: str
    quotation: Quotation
    is_fitted: bool
    line_usd_per_lb: float
    error_usd_per_lb: float | None
    """Standard error of its distance from the line; None where there are too few items."""
    degrees_of_freedom: int
    p_value: float | None
    """Chance of a distance this large in a fair market, adjusted for looking at every item."""
    standing: Standing

    @property
    def distance_usd_per_lb(self) -> float:
        return self.quotation.usd_per_lb - self.line_usd_per_lb

    @property
    def usd_per_lean_lb(self) -> float:
        """Price per pound of the lean in it, the fat taken as worth nothing."""
        return self.quotation.usd_per_lb / self.quotation.lean


@dataclass(frozen=True)
class DeletedResiduals:
    """Each quotation against a least-squares fit to all the others."""

    predicted: np.ndarray
    error: np.ndarray
    """Standard error of quotation minus prediction; NaN where the others give no fit."""
    degrees_of_freedom: int

    def p_values(self, prices: np.ndarray) -> np.ndarray:
        """Two-sided, by Student's t; 1 where there is no error to judge by."""
        from scipy.stats import t

        ratio = np.abs(prices - self.predicted) / self.error
        return np.nan_to_num(2 * t.sf(ratio, self.degrees_of_freedom), nan=1.0)


def deleted_residuals(
    design: np.ndarray, prices: np.ndarray, weights: np.ndarray
) -> DeletedResiduals | None:
    """Externally studentized residuals, from one fit (Cook and Weisberg, Residuals and Influence
    in Regression, 1982, section 2.2, from memory). None without a degree of freedom."""
    count, numbers = design.shape
    degrees = count - 1 - numbers
    if degrees < 1:
        return None
    roots = np.sqrt(weights)
    rows, wanted = design * roots[:, None], prices * roots
    hat = rows @ np.linalg.pinv(rows)
    residuals = wanted - hat @ wanted
    rest = 1 - np.diag(hat)
    rest = np.where(rest < 1e-9, np.nan, rest)  # the fit goes through this item whatever its price
    variances = (residuals @ residuals - residuals**2 / rest) / degrees
    scales = np.maximum(np.sqrt(np.maximum(0, variances)), MIN_TICK_USD_PER_LB)
    return DeletedResiduals(
        prices - residuals / rest / roots, scales / np.sqrt(rest) / roots, degrees
    )


def value_items(
    quotations: Sequence[Quotation],
    line: LeanLine,
    is_fitted: Callable[[Quotation], bool],
    *,
    by_pounds: bool = False,
) -> tuple[ItemValue, ...]:
    """Every item's distance from the line, and which are rich or cheap.

    At most `FALSE_RATE` of fair days have any item called rich or cheap: prices about a line or
    a parabola, with independent normal errors. Items that are not fitted are not judged.
    """
    fitted = [quotation for quotation in quotations if is_fitted(quotation)]
    prices = np.array([each.usd_per_lb for each in fitted])
    weights = _weights(fitted, by_pounds)
    against_line = deleted_residuals(_shares(*fitted), prices, weights)
    against_curve = deleted_residuals(_curve_design(fitted), prices, weights)
    p_values = np.ones(len(fitted))
    is_judged = False
    if against_line is not None and against_curve is not None:
        is_judged = True
        from scipy.stats import false_discovery_control

        both = np.maximum(against_line.p_values(prices), against_curve.p_values(prices))
        p_values = false_discovery_control(both)
    numbers = iter(range(len(fitted)))

    def value(quotation: Quotation, label: str) -> ItemValue:
        if not is_fitted(quotation):
            error = line.prediction_error_at(quotation.lean)
            at_line, of_none = line.at(quotation.lean), Standing.NOT_JUDGED
            return ItemValue(label, quotation, False, at_line, error, line.degrees, None, of_none)
        index = next(numbers)
        if against_line is None or np.isnan(against_line.error[index]):
            at_line = line.at(quotation.lean)
            return ItemValue(label, quotation, True, at_line, None, 0, None, Standing.TOO_FEW)
        at_line = float(against_line.predicted[index])
        standing = Standing.IN_LINE if is_judged else Standing.TOO_FEW
        if p_values[index] < FALSE_RATE:
            standing = Standing.RICH if quotation.usd_per_lb > at_line else Standing.CHEAP
        return ItemValue(
            label,
            quotation,
            True,
            at_line,
            float(against_line.error[index]),
            against_line.degrees_of_freedom,
            float(p_values[index]) if is_judged else None,
            standing,
        )

    return tuple(
        value(each, label) for each, label in zip(quotations, labels_of(quotations), strict=True)
    )


def _curve_design(quotations: Sequence[Quotation]) -> np.ndarray:
    leans = np.array([quotation.lean for quotation in quotations])
    middle = (leans.min() + leans.max()) / 2
    return np.hstack([_shares(*quotations), (leans - middle)[:, None] ** 2])


# Days --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DayValue:
    """Lean and fat of one species on one day, and every item against the line."""

    quoted_on: date
    species: str
    fitted: LeanLine
    pair: tuple[Quotation, Quotation]
    """The two items solved exactly: the leanest and the fattest of those fitted."""
    two_items: LeanLine
    bend: Bend | None
    items: tuple[ItemValue, ...]

    def off_lean(self, quotation: Quotation, found_share: float) -> tuple[float, float]:
        """Price of a pound that tests at another lean, USD per lb: by proportion, by slope."""
        price, nominal = quotation.usd_per_lb, quotation.lean
        return (
            price_by_proportion(price, nominal, found_share),
            price_by_slope(price, nominal, found_share, self.fitted),
        )


def value_days(
    quotations: Iterable[Quotation],
    *,
    fresh_or_frozen: str | None = "fresh",
    by_pounds: bool = False,
) -> tuple[DayValue, ...]:
    """Lean and fat by species and day, in that order.

    The line is fitted to the items of one form (None: all) and the others are compared with it.
    The error of the two-item solve is that of one quotation about the fitted line. A day whose
    items of that form all have the same lean has no line and is left out. Raises ValueError
    where weights are wanted and a quotation states none.
    """

    def is_fitted(quotation: Quotation) -> bool:
        return fresh_or_frozen is None or quotation.fresh_or_frozen == fresh_or_frozen

    days = []
    key = _species_and_day
    for (species, day), group in groupby(sorted(quotations, key=key), key):
        of_day = sorted(group, key=lambda each: (each.lean, each.item, each.fresh_or_frozen))
        fitted = [quotation for quotation in of_day if is_fitted(quotation)]
        if len({quotation.lean for quotation in fitted}) < 2:
            continue
        line = fit_line(fitted, by_pounds=by_pounds)
        scale = line.scale_usd_per_lb
        pair = (fitted[-1], fitted[0])
        two_items = solve_two_items(*pair, None if scale is None else (scale, scale))
        bend = fit_bend(fitted, by_pounds=by_pounds)
        items = value_items(of_day, line, is_fitted, by_pounds=by_pounds)
        days.append(DayValue(day, species, line, pair, two_items, bend, items))
    return tuple(days)


def _species_and_day(quotation: Quotation) -> tuple[str, date]:
    return quotation.species, quotation.quoted_on


# When a lot tests off its nominal lean -----------------------------------------------------------


def price_by_proportion(usd_per_lb: float, nominal_share: float, actual_share: float) -> float:
    """The price in proportion to the lean found: fat counts for nothing.

    One of two ways that contracts settle a lean shortage; use the one in the contract, never
    both (common practice, no source).
    """
    return usd_per_lb * actual_share / nominal_share


def price_by_slope(
    usd_per_lb: float, nominal_share: float, actual_share: float, line: LeanLine
) -> float:
    """The price moved by what a lean point is worth on the line: fat counts for its value."""
    return usd_per_lb + line.spread_usd_per_lb * (actual_share - nominal_share)
