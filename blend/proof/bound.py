"""A lower bound on the cost of every plan, from prices, in exact arithmetic.

The bound holds for any prices, so it does not matter where they come from or how well a
solver did; good prices make it tight. Whole containers, counts, batches and least purchases
are left out, which only lowers it.

With x pounds of lot l put into product p, t pounds taken of the lot, s pounds short of the
order, the cost to minimise is

    Σ_l (c_l - g_l) t_l + Σ_lp (g_l - r_p m_lp) x_lp + Σ_p k_p s_p

    c delivered price, g left-over value, r sale price, k shortfall penalty, USD per lb;
    a, f, m = a + f: finished lean, fat and mass of a pound put in; v_p = Σ_l m_lp x_lp

    supply       Σ_p x_lp <= t_l <= q_l
    volume       v_p + s_p >= D_p,  s_p <= D_p,  v_p <= M_p
    lean         Σ_l (a - A m) x >= 0 for the least share A,  Σ_l (B m - a) x >= 0 for the most B
    share, fat   the same with the selected lots' mass, or with f, in the place of a
    must use     Σ x of the selected lots in the governed products >= R
    warmth       Σ_l excess heat_l x <= 0

Take from the cost every >= row but supply, times a price that is not below zero: what a plan
keeps, it overfulfils, so its cost only falls (weak duality). A pound of l in p then earns

    e_lp = (r_p + y_p) m_lp + Σ over those rows of price × coefficient of x_lp

where y_p is the finished price: that of the order when above zero, minus that of the most
volume when below. Pricing both at once would give D_p - M_p <= 0 more, so one is enough.
Supply stays and is minimised out by hand, lot by lot: take nothing, or all there is and put
it where it earns most, or leave it over. So no supply price is needed:

    bound = Σ_l q_l min(0, c_l - max(g_l, max_p e_lp))
          + Σ_p (D_p min(max(0, y_p), k_p) + M_p min(0, y_p)) + Σ must-use price × R

with k infinite where no shortfall is allowed. A lot without a stated quantity would make this
-∞ as soon as it earns a hair more than it costs, which prices from a solver in floats do. So
y_p is first lowered until no such lot does, at the cost of D_p times that hair; and where it
may fall no further, for want of an M_p, q_l is taken as `PLENTY_LB`.

Weak duality and the Lagrangean dual: Bertsimas and Tsitsiklis, Introduction to Linear
Optimization (1997), theorem 4.3 and section 11.4 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.prices import DualPrices
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.proof.exact import (
    delivered_usd_per_lb,
    exact,
    kept_of_lb,
    lean_limits,
    must_use_lb,
    reason_barred,
)

PLENTY_LB = 100_000_000
"""More than any plan takes of one lot: 2,500 loads of 40,000 lb (the load of the USDA AMS
boneless beef reports, LM_XB450)."""


@dataclass(frozen=True, slots=True)
class _Pair:
    """A lot that a product may hold."""

    lot: Lot
    mass: Fraction
    """Finished lb of a pound put in."""
    earns: Fraction
    """USD of a pound put in, sale and finished price left out."""


@dataclass(frozen=True, slots=True)
class _Tariff:
    """What the priced shares of one product pay for its meat, USD per finished lb."""

    lean: Fraction
    fat: Fraction
    chosen: tuple[tuple[Selector, Fraction], ...]
    """More for selected lots, below zero for less."""


def dual_bound_usd(case: Case, prices: DualPrices) -> float:
    """A cost in USD that no plan of the case goes below, whatever the prices.

    Counted in exact fractions and rounded down to a float at the end.
    """
    lots, rules = case.usable_lots(), case.binding_rules()
    chosen = {
        selector: frozenset(lot.lot_id for lot in lots if selector.holds(lot))
        for selector in {rule.lots for rule in rules}
    }
    must_use = {rule: _price(prices.must_use, rule.rule_id) for rule in _meetable(case, rules)}
    bound = sum((price * must_use_lb(rule, case) for rule, price in must_use.items()), Fraction(0))
    earns_most = {lot.lot_id: exact(lot.leftover_value_usd_per_lb) for lot in lots}
    for product in case.products:
        governing = [rule for rule in rules if rule.governs(product)]
        pairs = pairs_held(case, product, governing, chosen, prices, must_use)
        finished = _finished_price(product, pairs, prices)
        bound += _volume_worth(product, finished)
        sold_at = exact(product.sale_usd_per_lb) + finished
        for pair in pairs:
            lot_id = pair.lot.lot_id
            earns_most[lot_id] = max(earns_most[lot_id], pair.earns + sold_at * pair.mass)
    for lot in lots:
        there_lb = PLENTY_LB if lot.quantity_lb is None else exact(lot.quantity_lb)
        bound -= there_lb * max(0, earns_most[lot.lot_id] - delivered_usd_per_lb(lot))
    return _rounded_down(bound)


def pairs_held(
    case: Case,
    product: Product,
    rules: Sequence[Rule],
    chosen: Mapping[Selector, frozenset[str]],
    prices: DualPrices,
    must_use: Mapping[Rule, Fraction],
) -> list[_Pair]:
    """The lots that the product may hold; `rules` are those that govern it, `chosen` the ids
    of the lots that their selectors mean."""
    tariff = _tariff(product, rules, prices)
    banned = [rule.lots for rule in rules if rule.kind is RuleKind.MUST_NOT_USE]
    asked = [(rule.lots, must_use[rule]) for rule in rules if must_use.get(rule)]
    warmed = [
        (dict(rule.excess_heat_btu_per_lb), usd)
        for rule in rules
        if rule.kind is RuleKind.WARMTH
        and (usd := _price(prices.warmth, (rule.rule_id, product.product_id)))
    ]

    def paid(lot: Lot, usd_per_lb: Iterable[tuple[Selector, Fraction]]) -> Fraction:
        chosen_at = (usd for selector, usd in usd_per_lb if lot.lot_id in chosen[selector])
        return sum(chosen_at, Fraction(0))

    pairs = []
    for lot in case.usable_lots():
        is_banned = any(lot.lot_id in chosen[selector] for selector in banned)
        if is_banned or reason_barred(lot, product, case.settings.plan_on):
            continue
        lean, fat = kept_of_lb(lot, product, case.losses)
        earns = lean * tariff.lean + fat * tariff.fat + paid(lot, asked)
        earns -= sum((usd * exact(excess[lot.lot_id]) for excess, usd in warmed), Fraction(0))
        earns += (lean + fat) * paid(lot, tariff.chosen)
        pairs.append(_Pair(lot, lean + fat, earns))
    return pairs


def _tariff(product: Product, rules: Iterable[Rule], prices: DualPrices) -> _Tariff:
    """Add up the priced rows: each pays its price for what it is about, and takes the share
    that is its limit back from all finished meat. A most is a least turned round."""
    least_lean, most_lean = lean_limits(product)
    lean_price = _price(prices.lean_least, product.product_id)
    lean_most_price = _price(prices.lean_most, product.product_id)
    lean = lean_price - lean_most_price
    back = lean_price * least_lean - lean_most_price * most_lean
    fat = Fraction(0)
    chosen = []
    for rule in rules:
        key = (rule.rule_id, product.product_id)
        if rule.kind is RuleKind.FAT:
            paid, taken = _paid_and_taken(rule, key, prices.fat_least, prices.fat_most)
            fat += paid
        elif rule.kind is RuleKind.SHARE:
            paid, taken = _paid_and_taken(rule, key, prices.share_least, prices.share_most)
            chosen.append((rule.lots, paid))
        else:
            continue
        back += taken
    return _Tariff(lean - back, fat - back, tuple((lots, usd) for lots, usd in chosen if usd))


def _paid_and_taken(
    rule: Rule, key: tuple[str, str], least: Mapping[Any, float], most: Mapping[Any, float]
) -> tuple[Fraction, Fraction]:
    paid = taken = Fraction(0)
    if rule.least_share is not None:
        price = _price(least, key)
        paid, taken = paid + price, taken + price * exact(rule.least_share)
    if rule.most_share is not None:
        price = _price(most, key)
        paid, taken = paid - price, taken - price * exact(rule.most_share)
    return paid, taken


def _finished_price(product: Product, pairs: Iterable[_Pair], prices: DualPrices) -> Fraction:
    """The finished price, lowered until no lot without a stated quantity earns more than it
    costs; not below zero where the product has no most volume to price."""
    finished = exact(prices.finished.get(product.product_id, 0.0))
    for pair in pairs:
        if pair.lot.quantity_lb is None and pair.mass:
            covered = (delivered_usd_per_lb(pair.lot) - pair.earns) / pair.mass
            finished = min(finished, covered - exact(product.sale_usd_per_lb))
    return finished if product.most_lb is not None else max(Fraction(0), finished)


def _volume_worth(product: Product, finished: Fraction) -> Fraction:
    if finished < 0:
        return finished * exact(product.most_lb)
    if product.shortfall_usd_per_lb is not None:
        finished = min(finished, exact(product.shortfall_usd_per_lb))
    return finished * exact(product.least_lb)


def _meetable(case: Case, rules: Iterable[Rule]) -> Iterator[Rule]:
    """Must-use rules that ask for a stated weight; the others no plan can keep."""
    for rule in rules:
        if rule.kind is RuleKind.MUST_USE and must_use_lb(rule, case) is not None:
            yield rule


def _price(prices: Mapping[Any, float], key: Any) -> Fraction:
    return max(Fraction(0), exact(prices.get(key, 0.0)))


def _rounded_down(number: Fraction) -> float:
    nearest = float(number)
    return nearest if Fraction(nearest) <= number else math.nextafter(nearest, -math.inf)
