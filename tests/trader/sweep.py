"""The plan at other prices and pounds, built again and solved by another solver."""

from __future__ import annotations

from dataclasses import replace

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.scenarios import Drawn, changed_lot, changed_order
from tests.reference import ReferenceAnswer, solve_reference


def with_lot(case: Case, lot: Lot) -> Case:
    lots = tuple(lot if each.lot_id == lot.lot_id else each for each in case.lots)
    return replace(case, lots=lots)


def at_price(case: Case, lot_id: str, usd_per_lb: float, quantity_lb: float | None = None) -> Case:
    """The case with another delivered price of a lot, and other pounds where they are given.

    The left-over value never exceeds the price: a sheet that says so is refused.
    """
    lot = case.lot(lot_id)
    priced = replace(
        lot,
        price_usd_per_lb=usd_per_lb,
        price_basis="delivered",
        freight_usd_per_lb=0.0,
        quantity_lb=lot.quantity_lb if quantity_lb is None else quantity_lb,
        salvage_value_usd_per_lb=min(lot.salvage_value_usd_per_lb, usd_per_lb),
    )
    return with_lot(case, priced)


def by_reference(case: Case, solver: str = "cbc") -> ReferenceAnswer:
    return solve_reference(case, relax=True, solver=solver)


def changed_case(
    case: Case, changes: tuple[Drawn, ...], more_usd_per_lb: dict[str, float] | None = None
) -> Case:
    """The case as a scenario has it; `more_usd_per_lb` by lot is what rates add to prices."""
    more = more_usd_per_lb or {}
    lots = []
    for lot in case.lots:
        own = tuple(drawn for drawn in changes if drawn.row.means(lot))
        lots.append(changed_lot(lot, own, more.get(lot.lot_id, 0.0)))
    products = []
    for product in case.products:
        min_lb, max_lb = changed_order(product.min_lb, product.max_lb, product.product_id, changes)
        products.append(replace(product, min_lb=min_lb, max_lb=max_lb))
    return replace(case, lots=tuple(lots), products=tuple(products))
