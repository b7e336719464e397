"""Numbers out of all proportion to each other: the solver still answers, and rightly.

Each case once led to a solver failure: no answer, no plan where there is one, or a plan that is
not the best. Costs are exact: the linear programs were solved in fractions (a simplex by
Bland's rule).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest

from blend.domain.case import Case
from blend.model.shadow_prices import lot_break_evens, marginal_costs_of, shadow_prices_of
from blend.model.solve import open_linear
from blend.model.solver import Outcome
from tests.attack.edges import lot, product, read


class Meat(NamedTuple):
    lean: float
    usd_per_lb: float
    quantity_lb: float | None


class Order(NamedTuple):
    target: float
    below: float
    above: float
    min_lb: float
    max_lb: float | str
    short_usd_per_lb: float | str
    sale_usd_per_lb: float


def case_of(
    meats: list[Meat], orders: list[Order], lost: tuple[float, float] | None = None
) -> Case:
    lots = [
        lot(f"l{n}", meat.lean, meat.usd_per_lb, meat.quantity_lb, price_unit="usd_per_lb")
        for n, meat in enumerate(meats)
    ]
    products = [
        product(
            f"p{n}",
            order.target,
            order.min_lb,
            order.max_lb,
            tolerance_below_points=100 * order.below,
            tolerance_above_points=100 * order.above,
            shortage_penalty_usd_per_lb=order.short_usd_per_lb,
            sale_usd_per_lb=order.sale_usd_per_lb,
        )
        for n, order in enumerate(orders)
    ]
    losses = []
    if lost is not None:
        loss = {"loss_id": "loss", "step": "thaw"}
        losses = [loss | {"lean_loss_share": lost[0], "fat_loss_share": lost[1]}]
    return read(lots, products, losses=losses)


ANSWERED = {
    "one simplex wrongly finds no plan": (
        [
            Meat(0.001, 3.5, 10_000),
            Meat(0.9, 100, 1_234_567),
            Meat(0.999, 0.01, 1_980),
            Meat(0.001, 0.01, 2),
            Meat(0.9, 0, None),
        ],
        [
            Order(0.999, 0.01, 1e-9, 7, 7, 0, 1),
            Order(0.8, 1e-9, 1e-9, 1_234.5, "", 10_000, 0),
            Order(0.001, 1e-9, 0, 7, "", "", 1e6),
        ],
        None,
        -9_989_620_006.917_07,
    ),
    "lean a thousand millionth from its limit": (
        [
            Meat(0.001, 1e4, 60),
            Meat(0.5, 3.5, 2_000),
            Meat(0.999, 1e6, None),
            Meat(0, 1e6, 1_234_000),
        ],
        [
            Order(0, 0, 1e-9, 10_000, 20_000, 1e6, 1e6),
            Order(0.999, 0, 0.001, 1_234.5, 1_235.5, "", 0),
            Order(0.8, 0.2, 0.0005, 1, "", 10_000, 10_000),
        ],
        None,
        1_234_490_200.0,
    ),
    "sales and purchases that cancel out": (
        [Meat(0.999, 0.01, 10_020), Meat(0.001, 1e4, None)],
        [
            Order(0.001, 0.001, 0, 1e7, "", "", 1e6),
            Order(0.001, 1e-9, 0.01, 0, 0, 1e6, 0),
            Order(0.5, 1e-6, 0.2, 1e4, 1e4, 0, 0),
        ],
        (0.99, 0.99),
        0.0,
    ),
    "a run that ends without a status": (
        [Meat(0.001, 0.9, 1e7), Meat(0.9, 0.01, 1_234_000)],
        [
            Order(0.9, 0.2, 0.01, 1e7, "", 1e6, 0),
            Order(0.8, 0.2, 0.0005, 7, "", 5, 1),
            Order(0, 0, 1e-9, 1_234.5, 2_469, 0, 1e4),
        ],
        (0.01, 0.99),
        8_877_392_966_989.842,
    ),
}
PRICED = {
    "a free lot next to a priceless one": (
        [
            Meat(0.9, 1e6, 1_999),
            Meat(0, 1e4, 1_234_567),
            Meat(0.8, 1e4, 2),
            Meat(0.999, 0.01, 10_000_020),
            Meat(0.9, 1e4, 2_000),
        ],
        [Order(0.999, 0, 1e-6, 1e4, "", 0, 1e6)],
        (0.01, 0.99),
    ),
    "no lean but one lot's": (
        [Meat(0, 0.9, None), Meat(0, 0, None), Meat(1, 1e4, 1e7)],
        [Order(0.5, 0.01, 1e-6, 1e7, 1e7 + 1, 0, 1e6), Order(0.999, 0.2, 1e-9, 1, 2, 5, 1)],
        (0, 0.99),
    ),
    "all that is sold earns a million": (
        [Meat(0.001, 3.5, 1_234_560), Meat(1, 0, None)],
        [Order(0.999, 1e-6, 0, 0, "", 5, 1e6)],
        (0, 0.005),
    ),
    "limits that meet": (
        [Meat(1, 0, 1_234_560), Meat(0.001, 100, 2_000), Meat(1, 1e4, 2)],
        [
            Order(0.999, 1e-9, 0.001, 7, 7, 1e6, 1e4),
            Order(0.9, 1e-9, 1e-9, 1_234.5, "", "", 0),
        ],
        None,
    ),
}


@pytest.mark.parametrize("name", ANSWERED)
def test_the_optimum_is_the_exact_one(name: str):
    meats, orders, lost, exact_usd = ANSWERED[name]
    linear = open_linear(case_of(meats, orders, lost))
    answer = linear.solve()
    assert answer.outcome is Outcome.OPTIMAL
    flow_usd = float(abs(linear.cost * answer.x).sum())
    assert answer.objective == pytest.approx(exact_usd, rel=1e-9, abs=max(0.01, 1e-12 * flow_usd))


@pytest.mark.parametrize("name", [*PRICED, *ANSWERED])
def test_everything_is_priced(name: str):
    meats, orders, lost, *_ = (PRICED | ANSWERED)[name]
    case = case_of(meats, orders, lost)
    linear = open_linear(case)
    answer = linear.solve()
    assert len(marginal_costs_of(linear, answer)) == len(case.products)
    for value in shadow_prices_of(linear, answer):
        assert not math.isnan(value.loosening_saves_usd + value.tightening_costs_usd)
    for value in lot_break_evens(linear, answer):
        critical = value.break_even_usd_per_lb
        used = value.relaxed_lb > 1e-6
        assert not used or critical is None or critical >= value.delivered_usd_per_lb * (1 - 1e-6)
