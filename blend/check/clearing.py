"""Whether prices clear a market, held against the tables in exact arithmetic.

What the solver said is taken as it stands; three things are looked at:

- the amounts can be blended: mass, lean, fat and shares within their limits, no more used than
  there is;
- no pair of item and product would rather be more or less: where a pound is used it earns its
  price and the item's adjustment, and nowhere does it earn more (at the dual prices, the
  products sold at what their demand pays for the volume);
- the whole gains as much as any could: by weak duality no amounts gain more than the dual
  prices allow, and the gap is told in USD.

The second and third are the conditions of Karush, Kuhn and Tucker, enough for an optimum as the
gain is concave (Boyd and Vandenberghe, Convex Optimization, 2004, section 5.5.3, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from blend.check.bound import dual_bound, earned
from blend.check.exact import exact, kept_of_lb, lean_limits
from blend.check.frame import Frame
from blend.domain.case import Case
from blend.domain.clearing import Clearing, DemandCurve
from blend.domain.products import Product
from blend.domain.rules import RuleKind

USD_PER_LB = 2e-5
"""How near prices must hold: 0.002 USD/cwt."""
SHARE = 1e-7
"""How near limits must hold, as a share of the product's volume or of what there is."""
_USED_LB = 1e-3


@dataclass(frozen=True, slots=True)
class ClearingProof:
    """How far a clearing is from one that is exact."""

    breach_share: float
    """The worst breach of a limit, of the product's volume or the item's pounds."""
    overpaid_usd_per_lb: float
    """The most that a pair earns beyond price and adjustment."""
    underpaid_usd_per_lb: float
    """The most that a pair that is used falls short of them, or a price that left-over pounds
    do not fetch."""
    gap_usd: float
    """No amounts gain this much more."""
    gain_usd: float
    """What the products sell for, less adjustments, with the left-over at its floor."""
    there_lb: float
    """Pounds that came to market."""

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong, in words of the tables; empty when the prices clear the market."""
        found = {
            "the amounts break a limit, or use more than there is": self.breach_share > SHARE,
            "an item earns more than its price": self.overpaid_usd_per_lb > USD_PER_LB,
            "an item is used that does not earn its price": self.underpaid_usd_per_lb > USD_PER_LB,
            "other amounts might gain more": self.gap_usd > USD_PER_LB * self.there_lb,
        }
        return tuple(fault for fault, is_one in found.items() if is_one)

    @property
    def is_sound(self) -> bool:
        return not self.faults


def prove_clearing(
    case: Case,
    curves: Sequence[DemandCurve],
    adjustment_usd_per_lb: Mapping[str, float],
    clearing: Clearing,
) -> ClearingProof:
    """Hold a clearing against the case, curves and adjustments it is of."""
    sold_at = {
        curve.product_id: curve.price_at(clearing.volume_lb[curve.product_id]) for curve in curves
    }
    frame = Frame(case)
    over, under = _misses(frame, case, sold_at, adjustment_usd_per_lb, clearing)
    gap, gain = _gap_and_gain(frame, case, sold_at, adjustment_usd_per_lb, clearing)
    return ClearingProof(
        breach_share=float(_worst_breach(case, clearing)),
        overpaid_usd_per_lb=float(over),
        underpaid_usd_per_lb=float(under),
        gap_usd=float(gap),
        gain_usd=float(gain),
        there_lb=sum(case.lot(item.lot_id).quantity_lb for item in clearing.items),
    )


# Amounts -----------------------------------------------------------------------------------------


def _worst_breach(case: Case, clearing: Clearing) -> Fraction:
    worst = Fraction(0)
    for item in clearing.items:
        there = exact(case.lot(item.lot_id).quantity_lb)
        used = sum(
            (exact(lb) for (lot_id, _), lb in clearing.use_lb.items() if lot_id == item.lot_id),
            Fraction(0),
        )
        worst = max(worst, (used - there) / there)
    for product in case.products:
        worst = max(worst, _breach_of(case, product, clearing))
    return worst


def _breach_of(case: Case, product: Product, clearing: Clearing) -> Fraction:
    """The worst breach of the product's limits, as a share of its volume."""
    used = {
        case.lot(lot_id): exact(lb)
        for (lot_id, product_id), lb in clearing.use_lb.items()
        if product_id == product.product_id
    }
    kept = {lot: kept_of_lb(lot, product, case.losses) for lot in used}
    lean = sum((lb * kept[lot][0] for lot, lb in used.items()), Fraction(0))
    fat = sum((lb * kept[lot][1] for lot, lb in used.items()), Fraction(0))
    volume = lean + fat
    stated = exact(clearing.volume_lb[product.product_id])
    if volume <= _USED_LB:
        return Fraction(0)
    readings = [(lean, *lean_limits(product))]
    for rule in case.binding_rules():
        if not rule.governs(product) or rule.kind not in (RuleKind.SHARE, RuleKind.FAT):
            continue
        reading = fat
        if rule.kind is RuleKind.SHARE:
            chosen = (lot for lot in used if rule.lots.holds(lot))
            reading = sum((used[lot] * sum(kept[lot]) for lot in chosen), Fraction(0))
        minimum = Fraction(0) if rule.min_share is None else exact(rule.min_share)
        maximum = Fraction(1) if rule.max_share is None else exact(rule.max_share)
        readings.append((reading, minimum, maximum))
    misses = [
        max(minimum * volume - read, read - maximum * volume) for read, minimum, maximum in readings
    ]
    return max(*misses, abs(stated - volume)) / volume


# Prices ------------------------------------------------------------------------------------------


def _misses(
    frame: Frame,
    case: Case,
    sold_at: Mapping[str, float],
    adjustment_usd_per_lb: Mapping[str, float],
    clearing: Clearing,
) -> tuple[Fraction, Fraction]:
    """The most that a pair earns too much, and too little where it is used."""
    over = under = Fraction(0)
    prices = {item.lot_id: item for item in clearing.items}
    for product in case.products:
        sold = exact(sold_at[product.product_id])
        for lot_id, mass, earns in earned(frame, case, product, clearing.duals):
            price = prices[lot_id]
            net = earns + sold * mass - exact(adjustment_usd_per_lb[lot_id])
            over = max(over, net - exact(price.last_usd_per_lb))
            if clearing.use_lb.get((lot_id, product.product_id), 0.0) > _USED_LB:
                under = max(under, exact(price.next_usd_per_lb) - net)
    for item in clearing.items:
        floor = exact(case.lot(item.lot_id).salvage_value_usd_per_lb)
        over = max(over, floor - exact(item.last_usd_per_lb))
        if item.left_over_lb > _USED_LB:
            under = max(under, exact(item.next_usd_per_lb) - floor)
    return over, under


def _gap_and_gain(
    frame: Frame,
    case: Case,
    sold_at: Mapping[str, float],
    adjustment_usd_per_lb: Mapping[str, float],
    clearing: Clearing,
) -> tuple[Fraction, Fraction]:
    """Against the market with every product sold at its price, which no amounts beat by more
    than they beat this one: the area under a falling demand lies below its tangent.

    There a lot costs its adjustment and is worth its floor where it is left over without it;
    both are lowered by a floor below zero, so that every pound is better taken than not.
    """
    lots, gain, there = [], Fraction(0), Fraction(0)
    for item in clearing.items:
        lot = case.lot(item.lot_id)
        floor = lot.salvage_value_usd_per_lb
        below = max(0.0, -floor)
        cost = adjustment_usd_per_lb[item.lot_id]
        lots.append(
            replace(
                lot,
                price_usd_per_lb=cost - below,
                price_basis="delivered",
                freight_usd_per_lb=0.0,
                salvage_value_usd_per_lb=floor + cost,
            )
        )
        quantity = exact(lot.quantity_lb)
        used = exact(item.used_lb)
        gain += exact(floor) * (quantity - used) - exact(cost) * used
        there += exact(below) * quantity
    gain += sum(
        (exact(usd) * exact(clearing.volume_lb[name]) for name, usd in sold_at.items()),
        Fraction(0),
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
    priced = replace(case, lots=tuple(lots), products=products)
    return -dual_bound(frame, priced, clearing.duals) - there - gain, gain
