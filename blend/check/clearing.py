"""Certificate of a market equilibrium: prices at which nobody gains by another amount.

At an equilibrium the products sell at what their buyers pay for the volume, and the area under a
falling demand lies below its tangent. So the amounts gain the most there is if they do in the
linear program where every product sells at that price, and the shadow price of each item there is
its price (the conditions of Karush, Kuhn and Tucker: Boyd and Vandenberghe, Convex Optimization,
2004, section 5.5.3, from memory). In that program an item costs its adjustment, and what is left
over goes at its floor.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from blend.check.certify import Key, certify
from blend.check.findings import Findings
from blend.check.statement import Statement, limit_prices
from blend.domain.case import Case
from blend.domain.certificates import Certified
from blend.domain.clearing import Clearing, DemandCurve
from blend.domain.exact import exact

NEAR_USD_PER_LB = Fraction(2, 10**5)
"""How near prices must be: 0.002 $/cwt."""
_NEAR_SHARE = Fraction(1, 10**7)
"""Of a product's volume or an item's pounds, how near amounts must be."""
_ZERO = Fraction(0)


def certify_clearing(
    case: Case,
    curves: Sequence[DemandCurve],
    adjustment_usd_per_lb: Mapping[str, float],
    clearing: Clearing,
) -> Certified:
    """Check an equilibrium against the case, demand curves and adjustments it is of.

    `gap_usd` of the result is the most that other amounts could gain.
    """
    found = Findings()
    items = {item.lot_id: item for item in clearing.items}
    there = {name: exact(case.lot(name).quantity_lb or 0.0) for name in items}
    used = dict.fromkeys(items, _ZERO)
    for (name, _), lb in clearing.use_lb.items():
        used[name] += Fraction(lb)
    market = _at_equilibrium(case, curves, adjustment_usd_per_lb, clearing)
    x: dict[Key, Fraction] = {
        ("left over", name): max(_ZERO, there[name] - lb) for name, lb in used.items()
    }
    x |= {("use", *pair): Fraction(lb) for pair, lb in clearing.use_lb.items()}
    program = Statement(market).program(market)
    primal, dual = certify(program, x, limit_prices(clearing.duals), near_share=_NEAR_SHARE)
    text = f"the amounts break a limit or use more than there is: {primal.worst}"
    found.fault(not primal.is_feasible, text)
    for product in case.products:
        name = product.product_id
        made = primal.measures["lean", name] + primal.measures["fat", name]
        off = abs(made - Fraction(clearing.volume_lb[name]))
        found.fault(off > _NEAR_SHARE * (1 + made), f"{name}: the volume is not what is made")
    for name, item in items.items():
        off = abs(used[name] - Fraction(item.used_lb))
        off += abs(there[name] - used[name] - Fraction(item.left_over_lb))
        text = f"{name}: pounds used and left over are not those that came"
        found.fault(off > _NEAR_SHARE * (1 + there[name]), text)
        price = dual.rents.get(("lot", name), _ZERO) - _below_zero(case, name)
        over, under = price - Fraction(item.last_usd_per_lb), Fraction(item.next_usd_per_lb) - price
        found.fault(over > NEAR_USD_PER_LB, f"{name} earns more than its price")
        found.fault(under > NEAR_USD_PER_LB, f"{name} does not earn its price")
    found.gap_usd = primal.cost - dual.bound
    most = NEAR_USD_PER_LB * sum(there.values())
    found.fault(found.gap_usd > most, "other amounts could gain more")
    return found.certified(len(items))


def _at_equilibrium(
    case: Case,
    curves: Sequence[DemandCurve],
    adjustment_usd_per_lb: Mapping[str, float],
    clearing: Clearing,
) -> Case:
    """The market with every product sold at its price, and items at their adjustment.

    All pounds must go somewhere, so where a floor is negative every pound costs that much less.
    """
    sold_at = {
        curve.product_id: curve.price_at(clearing.volume_lb[curve.product_id]) for curve in curves
    }
    lots = []
    for item in clearing.items:
        lot, cost = case.lot(item.lot_id), adjustment_usd_per_lb[item.lot_id]
        lots.append(
            replace(
                lot,
                price_usd_per_lb=cost - float(_below_zero(case, item.lot_id)),
                price_basis="delivered",
                freight_usd_per_lb=0.0,
                salvage_value_usd_per_lb=lot.salvage_value_usd_per_lb + cost,
            )
        )
    products = tuple(
        replace(
            product,
            min_lb=0.0,
            max_lb=None,
            shortage_penalty_usd_per_lb=None,
            sale_usd_per_lb=sold_at[product.product_id],
        )
        for product in case.products
    )
    return replace(case, lots=tuple(lots), products=products)


def _below_zero(case: Case, lot_id: str) -> Fraction:
    return max(_ZERO, -exact(case.lot(lot_id).salvage_value_usd_per_lb))
