"""Invented days ahead of an invented market, and the plain statement of planning them.

The plain way states each day's blends with the readable reference model, and follows every
receipt of meat by itself from day to day, object by object in PuLP.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from datetime import date, timedelta
from random import Random
from typing import Any

from blend.domain.case import Case
from blend.domain.horizon import Cooler, ForwardPrice, Freezing, Horizon, Order, Side, frozen_per_lb
from blend.domain.lots import Lot
from blend.domain.selectors import parse_selector
from tests.bench.instances import PLAN_ON, make_instance
from tests.reference import (
    LINEAR_CLASSES,
    Statement,
    batches_of,
    may_hold,
    state_choices,
    total,
)

_SHORTAGE_USD_PER_LB = 4.0
_STORES = (
    Cooler("cooler", parse_selector("fresh_or_frozen=fresh"), None, 0.002, 3),
    Cooler(
        "freezer",
        parse_selector("fresh_or_frozen=frozen"),
        400_000.0,
        0.001,
        None,
        0.0,
        Freezing(parse_selector("lean>=0.85"), 0.04, 40_000.0, 0.01),
    ),
)


def make_horizon(lots: int, products: int, days: int, seed: int = 1) -> Horizon:
    """The orders of an invented case spread over so many days, with meat offered again later.

    Orders may fall short at a price, so that there always is a plan.
    """
    case, random = make_instance(lots, products, seed), Random(f"days {lots} {products} {seed}")
    dates = tuple(PLAN_ON + timedelta(days=day) for day in range(days))
    return Horizon(
        case,
        dates,
        tuple(_orders(case, dates)),
        tuple(
            ForwardPrice(
                f"{lot.lot_id} {day:%m%d}",
                Side.OFFER,
                lot.lot_id,
                day,
                round(lot.delivered_usd_per_lb * random.uniform(0.94, 1.06), 4),
                float(random.randrange(2_000, 20_000, 2_000)),
                day + timedelta(days=random.randint(3, 10)),
            )
            for lot in case.lots
            for day in dates[1:]
            if random.random() < 0.3
        ),
        _STORES,
    )


def _orders(case: Case, days: tuple[date, ...]) -> list[Order]:
    return [
        Order(
            f"{product.product_id} {day:%m%d}",
            product.product_id,
            day,
            round(product.min_lb / len(days), 1),
            None if product.max_lb is None else round(product.max_lb / len(days), 1),
            _SHORTAGE_USD_PER_LB,
        )
        for product in case.products
        for day in days
    ]


# The plain way ----------------------------------------------------------------------------------


def min_cost_stated(horizon: Horizon) -> float:
    """The least cost of a horizon, stated in PuLP and solved with CBC; must-use rules, rules on
    days and bids, which an invented horizon has none of, are left out."""
    import pulp

    stated = _StatedDays(horizon)
    stated.problem.setObjective(total(stated.cost))
    stated.problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return stated.problem.objective.value()


class _StatedDays:
    """The program while it is stated."""

    def __init__(self, horizon: Horizon) -> None:
        from pulp import LpMinimize, LpProblem

        self.horizon = horizon
        self.problem = LpProblem("days", LpMinimize)
        self.cost: list[Any] = []
        self._number = itertools.count()
        self._out_to_blends: dict[tuple[str, int], list[Any]] = defaultdict(list)
        self._into_freezer: dict[tuple[str, int], list[Any]] = defaultdict(list)
        self._lying: dict[tuple[str, int], list[Any]] = defaultdict(list)
        taken = [self._state_blends(place) for place in range(len(horizon.days))]
        self._state_receipts()
        for place, by_lot in enumerate(taken):
            for lot_id, take in by_lot.items():
                self.problem += take == total(self._out_to_blends[lot_id, place])
        self._state_rooms()

    def _new(self, maximum: float | None = None) -> Any:
        return self.problem.add_variable(f"v{next(self._number)}", 0, maximum)

    def _state_blends(self, place: int) -> dict[str, Any]:
        """One day's blends by the reference model; what they take of each lot."""
        case = self.horizon.day_cases[place]
        model = Statement(
            case=case,
            problem=self.problem,
            may_hold={product.product_id: may_hold(case, product) for product in case.products},
            batches={
                product.product_id: batches_of(case, product, relax=True)
                for product in case.products
            },
            _number=self._number,
        )
        state_choices(model)
        for state_constraint_class in LINEAR_CLASSES:
            state_constraint_class(model)
        for product in case.products:
            self.cost.append(-product.sale_usd_per_lb * model.made_lb(product))
            if product.product_id in model.short:
                short = model.short[product.product_id]
                self.cost.append(product.shortage_penalty_usd_per_lb * short)
        return model.take

    def _state_receipts(self) -> None:
        horizon = self.horizon
        for receipt in horizon.receipts:
            amount: Any = receipt.max_lb
            if receipt.offer_id:
                amount = self._new(receipt.max_lb)
                self.cost.append(receipt.price_usd_per_lb * amount)
            lot = horizon.lot(receipt.lot_id)
            self._follow(lot, receipt.place, amount, receipt.last_day, receipt.place)
        for lot_id, fresh in horizon.fresh_of.items():
            lot = horizon.lot(lot_id)
            per_lb = frozen_per_lb(fresh, horizon.freezer_of(fresh).freezing)
            for place, day in enumerate(horizon.days):
                amount = self._new()
                self.problem += amount == per_lb * total(self._into_freezer[fresh.lot_id, place])
                self._follow(lot, place, amount, horizon.keeps_until(lot, day), place + 1)

    def _follow(
        self, lot: Lot, place: int, amount: Any, last_day: date | None, first_use: int
    ) -> None:
        """One receipt from its day on: used, frozen, kept overnight or thrown away."""
        horizon = self.horizon
        cooler, freezer = horizon.cooler_of(lot), horizon.freezer_of(lot)
        for at in range(place, len(horizon.days)):
            day, out = horizon.days[at], []
            if at >= first_use and (last_day is None or day <= last_day):
                out.append(self._new())
                self._out_to_blends[lot.lot_id, at].append(out[-1])
                if freezer is not None:
                    out.append(self._new())
                    self._into_freezer[lot.lot_id, at].append(out[-1])
                    self.cost.append(freezer.freezing.usd_per_lb * out[-1])
            ends = last_day is not None and last_day < horizon.after(at)
            if ends:
                out.append(self._new())
                self.cost.append(max(0.0, -lot.salvage_value_usd_per_lb) * out[-1])
            kept = self._new(0.0 if cooler is None or ends else None)
            self.problem += amount - total(out) == kept
            if cooler is not None:
                self._lying[cooler.cooler_id, at].append(kept)
                self.cost.append(cooler.holding_usd_per_lb_day * horizon.nights(at) * kept)
            if at == len(horizon.days) - 1:
                self.cost.append(-lot.salvage_value_usd_per_lb * kept)
            if ends:
                return
            amount = kept

    def _state_rooms(self) -> None:
        horizon = self.horizon
        for cooler, at in itertools.product(horizon.coolers, range(len(horizon.days))):
            if cooler.capacity_lb is not None:
                self.problem += total(self._lying[cooler.cooler_id, at]) <= cooler.capacity_lb
            if cooler.freezing is not None and cooler.freezing.max_lb is not None:
                frozen = [
                    part
                    for lot in horizon.case.lots
                    if horizon.freezer_of(lot) is cooler
                    for part in self._into_freezer[lot.lot_id, at]
                ]
                self.problem += total(frozen) <= cooler.freezing.max_lb
