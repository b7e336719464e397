"""How sure a split of a clearing price is: drawn again over what it rests on.

Around a cleared market the meat in use stays as found, so that the prices of its rows can move
only in the few ways `Response` holds (what lean, fat and a binding rule are worth). With other
pounds and demands the market clears where those prices make demand meet supply: a few equations for
each draw, solved for all draws at once by Newton's method. Drawn are the pounds of both dates, the
elasticities (together, and each apart), the shape of demand (a straight line or constant
elasticity, each as likely), and the level of the quotations that the market was fitted to.

That the use of meat stays as found is an approximation; rules and losses count as exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from blend.domain.certificates import ClearedBetween
from blend.domain.method import Method
from blend.reporter.explained import Contribution, Explained, Within
from blend.reporter.mixed import Driver
from blend.reporter.split import weights_of

if TYPE_CHECKING:
    from numpy import ndarray

    from blend.domain.clearing import Response

Moved = frozenset[Driver]
_INTERVAL = (5.0, 95.0)
_ONE_SIDED = 0.975
"""Of all parts together, each toward zero alone: two-sided, 95 of 100."""
_MIN_BEYOND = 1.96
_NEWTON_STEPS = 8
_MIN_PRICE_SHARE = 0.05
"""Demand of constant elasticity has no price of nothing."""


@dataclass(frozen=True, slots=True)
class Priors:
    """Standard errors of what a split rests on, and how often to draw it.

    Of an item's pounds or a product's orders on either date, as a share of them; of all
    elasticities together and of each apart, as shares; of a quotation, USD per lb.
    """

    volume_share: float
    elasticity_share: float
    own_elasticity_share: float
    quotation_usd_per_lb: float = 0.0
    draws: int = 1000
    seed: int = 0


def priors_of(method: Method, volume_share: float | None = None) -> Priors:
    """Those of the method table; the pounds' error where it is given."""
    return Priors(
        method.volume_error_share if volume_share is None else volume_share,
        method.elasticity_error_share,
        method.own_elasticity_error_share,
    )


class Draws:
    """What is drawn, and what the price of an item is with it in each market between two.

    `between` has the market of each set of drivers; `weights` are those of the item's lots in its
    price; `driver_of` says which driver moves a lot's pounds.
    """

    def __init__(
        self,
        between: Mapping[Moved, ClearedBetween],
        weights: Mapping[str, float],
        driver_of: Mapping[str, Driver],
        priors: Priors,
    ) -> None:
        import numpy as np

        self._np, self._between, self._driver_of = np, between, driver_of
        self._weights, self._priors = weights, priors
        draw = np.random.default_rng(priors.seed)
        names = {each.product_id for market in between.values() for each in market.curves}
        count = priors.draws
        counted = math.sqrt(2) * priors.volume_share

        def drawn(ids: Iterable[str], error: float) -> dict[str, ndarray]:
            return {each: error * draw.standard_normal(count) for each in sorted(ids)}

        self._pounds, self._orders = drawn(driver_of, counted), drawn(names, counted)
        together = priors.elasticity_share * draw.standard_normal(count)
        apart = drawn(names, priors.own_elasticity_share)
        self._steeper = {name: np.exp(together + apart[name]) for name in names}
        self._level = drawn(names, priors.quotation_usd_per_lb)
        self._is_line = draw.random(count) < 0.5

    def errors_in(self, found: Explained) -> Explained:
        """The same split with errors and intervals of its parts and of the change."""
        np = self._np
        values = {moved: self._prices(moved) for moved in self._between}
        drivers = [each.driver for each in found.contributions]
        parts = {
            driver: np.sum([weight * values[moved] for moved, weight in weights.items()], axis=0)
            for driver, weights in weights_of(drivers).items()
        }
        error = {driver: float(np.std(part)) for driver, part in parts.items()}
        # Errors of elasticities stretch a part and never turn it, so each part counts by how far
        # it is drawn toward zero alone.
        toward_zero = [
            (parts[each.driver].mean() - parts[each.driver])
            * (-1 if each.amount < 0 else 1) / error[each.driver]
            for each in found.contributions
            if error[each.driver] > 0
        ]  # fmt: skip
        beyond = float(np.quantile(np.max(toward_zero, axis=0), _ONE_SIDED)) if toward_zero else 0.0
        change = values[frozenset(drivers)] - values[frozenset()]
        return replace(
            found,
            standard_error=float(np.std(change)),
            contributions=tuple(
                self._with_interval(each, parts[each.driver], max(beyond, _MIN_BEYOND))
                for each in found.contributions
            ),
        )

    def _with_interval(self, each: Contribution, part: ndarray, beyond: float) -> Contribution:
        low, high = self._np.percentile(part, _INTERVAL)
        return replace(
            each,
            standard_error=float(part.std()),
            low=min(float(low), each.amount),
            high=max(float(high), each.amount),
            beyond=beyond,
        )

    def _prices(self, moved: Moved) -> ndarray:
        """The item's price of each draw, in the market of some drivers moved."""
        np = self._np
        market = self._between[moved]
        response = market.clearing.response
        assert response is not None, "every market between is cleared with its response"
        more_lb = np.zeros((self._priors.draws, len(response.lot_ids)))
        for column, lot_id in enumerate(response.lot_ids):
            if self._driver_of[lot_id] in moved:
                more_lb[:, column] = self._pounds[lot_id] * response.lot_lb[column]
        demand = self._demand(market, response, moved)
        worth = np.zeros((self._priors.draws, response.ways))
        for _ in range(_NEWTON_STEPS):
            lb, slope = demand(response.product_usd_per_lb - worth @ response.product_moves)
            gap = more_lb @ response.lot_moves.T
            gap = gap + (lb - response.product_lb) @ response.product_moves.T
            worth = worth + _step(np, response, slope, gap)
        own = np.array([self._weights.get(lot_id, 0.0) for lot_id in response.lot_ids])
        return (response.lot_usd_per_lb + worth @ response.lot_moves) @ own

    def _demand(
        self, market: ClearedBetween, response: Response, moved: Moved
    ) -> Callable[[ndarray], tuple[ndarray, ndarray]]:
        """By draw and product, pounds wanted at a price and how many fewer at a higher one."""
        np = self._np
        curve = {each.product_id: each for each in market.curves}
        ordered = [curve[name] for name in response.product_ids]

        def by_draw(of: Mapping[str, ndarray]) -> ndarray:
            return np.stack([of[name] for name in response.product_ids], axis=1)

        base_lb = np.array([each.volume_lb for each in ordered])
        if Driver.ORDERS in moved:
            base_lb = base_lb * (1 + by_draw(self._orders))
        elasticity = np.array([each.elasticity for each in ordered]) * by_draw(self._steeper)
        # the quotations are off by `level`: so is what every product costs, at the base and now
        level = by_draw(self._level)
        base_usd = np.array([each.usd_per_lb for each in ordered]) + level
        is_line = self._is_line[:, None]

        def wanted(usd: ndarray) -> tuple[ndarray, ndarray]:
            share = np.maximum((usd + level) / base_usd, _MIN_PRICE_SHARE)
            power = share**elasticity
            lb = base_lb * np.where(is_line, 1 + elasticity * (share - 1), power)
            slope = base_lb * elasticity / base_usd * np.where(is_line, 1.0, power / share)
            return lb, slope

        return wanted

    @cached_property
    def within(self) -> Mapping[Driver, tuple[Within, ...]]:
        """By driver, each item's or product's pounds, and its share of the driver's part before it
        is made to add up: mean slope of the price times the change of pounds."""
        every = max(self._between, key=len)
        ends = [self._between[frozenset()], self._between[every]]
        slopes = [self._slopes(each) for each in ends]
        pounds = [
            {lot.lot_id: lot.max_lb for lot in each.case.lots}
            | {curve.product_id: curve.volume_lb for curve in each.curves}
            for each in ends
        ]
        found: dict[Driver, list[Within]] = {}
        for name in sorted(pounds[0].keys() | pounds[1].keys()):
            was, now = (each.get(name, 0.0) for each in pounds)
            slope = sum(each.get(name, 0.0) for each in slopes) / 2
            driver = self._driver_of.get(name, Driver.ORDERS)
            found.setdefault(driver, []).append(Within(name, was, now, slope * (now - was)))
        return {driver: tuple(each) for driver, each in found.items()}

    def _slopes(self, market: ClearedBetween) -> dict[str, float]:
        """By lot and product, what a pound more of it does to the item's price."""
        np = self._np
        response = market.clearing.response
        assert response is not None, "every market between is cleared with its response"
        curve = {each.product_id: each for each in market.curves}
        ordered = [curve[name] for name in response.product_ids]
        slope = np.array([[-1 / each.fall_usd_per_lb_lb for each in ordered]])
        own = np.array([self._weights.get(lot_id, 0.0) for lot_id in response.lot_ids])

        def of(moves: ndarray) -> ndarray:
            return own @ (response.lot_moves.T @ _step(np, response, slope, moves.T).T)

        lots = dict(zip(response.lot_ids, of(response.lot_moves), strict=True))
        # of a pound more ordered at the base price, as much more is bought at today's
        bought = np.array([
            lb / each.volume_lb for lb, each in zip(response.product_lb, ordered, strict=True)
        ])  # fmt: skip
        orders = of(response.product_moves * bought)
        return lots | dict(zip(response.product_ids, orders, strict=True))


def _step(np: Any, response: Response, slope: ndarray, gap: ndarray) -> ndarray:
    """How the row prices move to close a gap: solve (moves slope moves') step = gap."""
    moves = response.product_moves
    matrix = np.einsum("kp,dp,lp->dkl", moves, slope, moves)
    if len(matrix) < len(gap):
        matrix = np.repeat(matrix, len(gap), axis=0)
    return np.linalg.solve(matrix, gap[:, :, None])[:, :, 0]
