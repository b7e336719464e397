"""Lean and fat apart: what a pound of each is worth, from prices of items that hold both.

An item of lean share a is priced P = a L + (1 - a) F: a line over lean, with the price L of a
pound of lean at one end and F of a pound of fat at the other. Two items solve it exactly; more
are fitted. F is arithmetic, not a price at which fat trades: it is often negative and is given
as it comes out. Both ends lie beyond what is quoted; the standard errors say how much that costs.

The robust fit is Huber's (Annals of Mathematical Statistics 35, 1964; k and the covariance as
in Huber, Robust Statistics, 1981, section 7.6, from memory). Its scale is the median absolute
distance from the line of least absolute deviations, the two items on that line left out
(Maronna, Martin and Yohai, Robust Statistics, 2006, section 4.4, from memory).

Whether an item is rich or cheap is another question, answered by its distance from a parabola
through the items that are not off it (`items_off`), by t quantiles adjusted for looking at every
item: a bent market does not make its ends look rich. Items of another form than the line are
judged against their own distance on earlier days (`judge_by_basis`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from itertools import combinations, groupby

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
MIN_BASIS_DAYS = 8
"""Earlier days before an item is judged against its own past (by simulation)."""
_MOST_LASTING = 0.95
"""Correlation of a day with the next at which no pull to the mean shows."""
_MIN_JUDGED = 5
"""Items that leave a parabola through the others a degree of freedom."""
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

    values: tuple[float, float, float]
    """Of lean, of fat, and of the square of the distance from the middle."""
    covariance: tuple[tuple[float, ...], ...]
    leans: tuple[float, float]
    """Of the fattest and the leanest item."""
    degrees: int

    def _design(self, lean: float) -> np.ndarray:
        return np.array([lean, 1 - lean, (lean - sum(self.leans) / 2) ** 2])

    def at(self, lean: float) -> float:
        return float(self._design(lean) @ self.values)

    def error_at(self, lean: float) -> float:
        """Standard error of `at`."""
        design = self._design(lean)
        return math.sqrt(max(0.0, float(design @ np.array(self.covariance) @ design)))

    @property
    def t_quantile(self) -> float:
        from scipy.stats import t

        return float(t.ppf((1 + CONFIDENCE) / 2, self.degrees))

    @property
    def _points_apart(self) -> float:
        """What a point's value differs by from end to end, for each unit of the square."""
        return 2 * (self.leans[1] - self.leans[0]) / POINTS_PER_SHARE

    @property
    def point_at_fattest_usd_per_lb(self) -> float:
        lean, fat, _ = self.values
        return (lean - fat) / POINTS_PER_SHARE - self.difference_usd_per_lb / 2

    @property
    def point_at_leanest_usd_per_lb(self) -> float:
        return self.point_at_fattest_usd_per_lb + self.difference_usd_per_lb

    @property
    def difference_usd_per_lb(self) -> float:
        return self._points_apart * self.values[2]

    @property
    def error_usd_per_lb(self) -> float:
        """Standard error of the difference of the two."""
        return self._points_apart * math.sqrt(self.covariance[2][2])

    @property
    def is_established(self) -> bool:
        """Whether the difference is more than scatter explains, by Student's t."""
        return abs(self.difference_usd_per_lb) > self.t_quantile * self.error_usd_per_lb


def fit_bend(quotations: Sequence[Quotation], *, by_pounds: bool = False) -> Bend | None:
    """The bend of prices over lean; None with fewer than five items, or three leans."""
    leans = [quotation.lean for quotation in quotations]
    if len(quotations) < 3 + _SPARE_ITEMS or len(set(leans)) < 3:
        return None
    fit = _fit(_curve_design(quotations), quotations, by_pounds)
    if fit.covariance is None:
        return None
    lean, fat, bend = fit.values.tolist()
    covariance = tuple(map(tuple, fit.covariance.tolist()))
    return Bend((lean, fat, bend), covariance, (min(leans), max(leans)), len(leans) - 3)


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
    """Of another form than the line, with too few earlier days to compare it with."""


@dataclass(frozen=True, slots=True)
class ItemValue:
    """One item against the line: of a fitted item, the line through the other items that are not
    off it; of another form, also against its own distances on earlier days."""

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
    basis: Basis | None = None

    @property
    def distance_usd_per_lb(self) -> float:
        return self.quotation.usd_per_lb - self.line_usd_per_lb

    @property
    def usd_per_lean_lb(self) -> float:
        """Price per pound of the lean in it, the fat taken as worth nothing."""
        return self.quotation.usd_per_lb / self.quotation.lean


@dataclass(frozen=True)
class DeletedResiduals:
    """Each quotation against a least-squares fit to the others."""

    predicted: np.ndarray
    error: np.ndarray
    """Standard error of quotation minus prediction; NaN where the others give no fit."""
    degrees_of_freedom: np.ndarray


def deleted_residuals(
    design: np.ndarray, prices: np.ndarray, weights: np.ndarray, off: Collection[int] = ()
) -> DeletedResiduals:
    """Externally studentized residuals (Cook and Weisberg, Residuals and Influence in Regression,
    1982, section 2.2, from memory); quotations in `off` are in no fit but their own comparison."""
    count, numbers = design.shape
    found = np.full((3, count), np.nan)
    for item in range(count):
        others = [each for each in range(count) if each != item and each not in off]
        degrees = len(others) - numbers
        if degrees < 1 or np.linalg.matrix_rank(design[others]) < numbers:
            continue
        rows = design[others] * np.sqrt(weights[others])[:, None]
        values = np.linalg.pinv(rows) @ (prices[others] * np.sqrt(weights[others]))
        left = (prices[others] - design[others] @ values) * np.sqrt(weights[others])
        scale = max(math.sqrt(left @ left / degrees), MIN_TICK_USD_PER_LB)
        reach = design[item] @ np.linalg.inv(rows.T @ rows) @ design[item]
        error = scale * math.sqrt(1 / weights[item] + reach)
        found[:, item] = design[item] @ values, error, degrees
    return DeletedResiduals(*found)


def items_off(
    design: np.ndarray, prices: np.ndarray, weights: np.ndarray
) -> tuple[frozenset[int], float, int]:
    """Items off the fit, the p value that convicts them (1 without any), and the most looked for.

    For one item, two, up to `_most_off`: the set whose removal leaves the least squares, tested
    against the best set of one fewer by Student's t. The largest set that passes is off, so two
    items that hide each other from a test of one at a time are found together (after B. Rosner,
    Technometrics 25, 1983, with best sets instead of one removal after another). The p value is
    adjusted for the items each step chooses from and for the steps (Bonferroni).
    """
    from scipy.stats import t

    count, numbers = design.shape
    most = _most_off(count)
    roots = np.sqrt(weights)
    rows = design * roots[:, None]
    rest = np.eye(count) - rows @ np.linalg.pinv(rows)
    residuals = rest @ (prices * roots)
    before, off, p_off = float(residuals @ residuals), frozenset[int](), 1.0
    for size in range(1, most + 1):
        sets = np.array(list(combinations(range(count), size)))
        blocks = np.linalg.pinv(rest[sets[:, :, None], sets[:, None, :]], 1e-9, hermitian=True)
        of_sets = residuals[sets]
        drop = np.einsum("si,sij,sj->s", of_sets, blocks, of_sets)
        squares = max(0.0, float(residuals @ residuals - drop.max()))
        degrees = count - size - numbers
        variance = max(squares / degrees, MIN_TICK_USD_PER_LB**2)
        ratio = math.sqrt(max(0.0, before - squares) / variance)
        p_value = min(1.0, most * (count - size + 1) * 2 * float(t.sf(ratio, degrees)))
        if p_value < FALSE_RATE:
            off, p_off = frozenset(sets[drop.argmax()].tolist()), p_value
        before = squares
    return off, p_off, most


def _most_off(count: int) -> int:
    """Items that may be found off at once; two or more take seven items (by simulation)."""
    return 0 if count < _MIN_JUDGED else 1 if count < 7 else 2 if count < 12 else 3


def value_items(
    quotations: Sequence[Quotation],
    line: LeanLine,
    is_fitted: Callable[[Quotation], bool],
    *,
    by_pounds: bool = False,
    is_bent: bool = False,
) -> tuple[ItemValue, ...]:
    """Every item's distance from the line, or from the curve where `is_bent`, and which are rich
    or cheap.

    At most `FALSE_RATE` of fair days have any item called rich or cheap: prices about a line or
    a parabola, with independent normal errors. Items that are not fitted are not judged here.
    """
    fitted = [quotation for quotation in quotations if is_fitted(quotation)]
    prices = np.array([each.usd_per_lb for each in fitted])
    weights = _weights(fitted, by_pounds)
    curve = _curve_design(fitted)
    off, p_off, most = items_off(curve, prices, weights)
    against_curve = deleted_residuals(curve, prices, weights, off)
    shown = against_curve if is_bent else deleted_residuals(_shares(*fitted), prices, weights, off)
    numbers = iter(range(len(fitted)))

    def value(quotation: Quotation, label: str) -> ItemValue:
        if not is_fitted(quotation):
            error = line.prediction_error_at(quotation.lean)
            at_line, of_none = line.at(quotation.lean), Standing.NOT_JUDGED
            return ItemValue(label, quotation, False, at_line, error, line.degrees, None, of_none)
        index = next(numbers)
        if np.isnan(shown.error[index]):
            at_line = line.at(quotation.lean)
            return ItemValue(label, quotation, True, at_line, None, 0, None, Standing.TOO_FEW)
        standing, p_value = Standing.TOO_FEW if not most else Standing.IN_LINE, None
        distance = quotation.usd_per_lb - float(shown.predicted[index])
        if index in off:
            p_value = p_off
            # off the curve one way and off the line the other is neither
            if (quotation.usd_per_lb > against_curve.predicted[index]) == (distance > 0):
                standing = Standing.RICH if distance > 0 else Standing.CHEAP
        elif most:
            p_value = _own_p_value(quotation, index, against_curve, most * (len(fitted) - len(off)))
        return ItemValue(
            label, quotation, True, float(shown.predicted[index]), float(shown.error[index]),
            int(shown.degrees_of_freedom[index]), p_value, standing,
        )  # fmt: skip

    return tuple(
        value(each, label) for each, label in zip(quotations, labels_of(quotations), strict=True)
    )


def _own_p_value(quotation: Quotation, index: int, found: DeletedResiduals, looks: int) -> float:
    from scipy.stats import t

    if np.isnan(found.error[index]):
        return 1.0
    ratio = abs(quotation.usd_per_lb - found.predicted[index]) / found.error[index]
    return min(1.0, looks * 2 * float(t.sf(ratio, found.degrees_of_freedom[index])))


def _curve_design(quotations: Sequence[Quotation]) -> np.ndarray:
    leans = np.array([quotation.lean for quotation in quotations])
    middle = (leans.min() + leans.max()) / 2
    return np.hstack([_shares(*quotations), (leans - middle)[:, None] ** 2])


# Items of another form against their own past ----------------------------------------------------


@dataclass(frozen=True, slots=True)
class Basis:
    """An item's distance from the line of the other form, against its own earlier days.

    `z` is today's distance from the mean in standard errors of one more day, and `half_life_days`
    how long half of a distance from the mean lasts: None where no pull to the mean shows.
    """

    days: int
    mean_usd_per_lb: float
    sd_usd_per_lb: float
    z: float
    half_life_days: float | None
    p_value: float

    @property
    def is_enough(self) -> bool:
        return self.days >= MIN_BASIS_DAYS


def basis_of(earlier_usd_per_lb: Sequence[float], now_usd_per_lb: float, step_days: float) -> Basis:
    """Today's distance against three earlier ones or more, `step_days` apart.

    Distances that last from day to day say less than as many independent ones: days count as
    n (1 - r) / (1 + r), where r is the correlation of a day with the next, corrected for short
    histories (M. G. Kendall, Biometrika 41, 1954, from memory). Student's t with that many days.
    """
    from scipy.stats import t

    earlier = np.asarray(earlier_usd_per_lb)
    count, mean = len(earlier), float(earlier.mean())
    off = earlier - mean
    squares = float(off @ off)
    lasting = float(off[1:] @ off[:-1]) / max(float(off[:-1] @ off[:-1]), 1e-18)
    lasting = min(max(0.0, lasting + (1 + 3 * lasting) / count), _MOST_LASTING)
    worth_days = max(2.0, count * (1 - lasting) / (1 + lasting))
    sd = max(math.sqrt(squares / (count * (1 - 1 / worth_days))), MIN_TICK_USD_PER_LB)
    z = (now_usd_per_lb - mean) / (sd * math.sqrt(1 + 1 / worth_days))
    half_life = None
    if lasting < _MOST_LASTING:
        half_life = step_days * math.log(2) / -math.log(lasting) if lasting else 0.0
    return Basis(count, mean, sd, z, half_life, 2 * float(t.sf(abs(z), worth_days - 1)))


def judge_by_basis(day: DayValue, earlier: Sequence[DayValue]) -> DayValue:
    """The day with items of another form judged against `earlier` days.

    `FALSE_RATE` is then shared: half for the items on the line, half for these.
    """
    past: dict[str, list[tuple[date, float]]] = {}
    for each in earlier:
        for item in each.items:
            if not item.is_fitted:
                past.setdefault(item.label, []).append((each.quoted_on, item.distance_usd_per_lb))
    items = [
        replace(item, basis=_basis(past[item.label], item.distance_usd_per_lb))
        if not item.is_fitted and len(past.get(item.label, ())) > 2
        else item
        for item in day.items
    ]
    judged = sum(item.basis is not None and item.basis.is_enough for item in items)
    return replace(day, items=tuple(_judged(item, judged) if judged else item for item in items))


def _basis(past: Sequence[tuple[date, float]], now_usd_per_lb: float) -> Basis:
    dates, distances = zip(*past, strict=True)
    return basis_of(distances, now_usd_per_lb, (dates[-1] - dates[0]).days / (len(dates) - 1))


def _judged(item: ItemValue, judged: int) -> ItemValue:
    """The item at its share of the false rate, with `judged` items judged by their own past."""
    basis = item.basis
    if basis is not None and basis.is_enough:
        p_value, is_over = judged * basis.p_value, basis.z > 0
    elif item.p_value is not None:
        p_value, is_over = item.p_value, item.standing is Standing.RICH
    else:
        return item
    p_value = min(1.0, 2 * p_value)
    is_off = p_value < FALSE_RATE and (basis is not None or item.standing is not Standing.IN_LINE)
    side = Standing.RICH if is_over else Standing.CHEAP
    return replace(item, p_value=p_value, standing=side if is_off else Standing.IN_LINE)


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

    @property
    def trend(self) -> LeanLine | Bend:
        """What items in the line are compared with: the curve where one is established."""
        return self.bend if self.bend is not None and self.bend.is_established else self.fitted

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

    days: list[DayValue] = []
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
        is_bent = bend is not None and bend.is_established
        items = value_items(of_day, line, is_fitted, by_pounds=by_pounds, is_bent=is_bent)
        value = DayValue(day, species, line, pair, two_items, bend, items)
        days.append(judge_by_basis(value, [each for each in days if each.species == species]))
    return tuple(days)


def change_since(before: DayValue, now: DayValue) -> LeanLine | None:
    """How lean and fat moved between two days: a line through the changes of items in both lines.

    An item that is always off the line by as much moves nothing, so the errors are of the
    change itself. None where fewer than two such items of different lean are quoted on both.
    """
    then = {each.label: each.quotation for each in before.items if each.is_fitted}
    moved = [
        replace(each.quotation, usd_per_lb=each.quotation.usd_per_lb - then[each.label].usd_per_lb)
        for each in now.items
        if each.is_fitted and each.label in then and then[each.label].lean == each.quotation.lean
    ]
    return fit_line(moved) if len({each.lean for each in moved}) > 1 else None


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
