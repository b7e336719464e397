"""A lower bound on the cost of every plan, from prices, in exact arithmetic.

The bound holds for any prices, so it does not matter where they come from or how well a
solver did; good prices make it tight. Whole containers, counts, batches and least purchases
are left out, which only lowers it.

With x pounds of lot l put into product p, t pounds taken of the lot, s pounds short of the
order, the cost to minimize is

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
Supply stays and is minimized out by hand, lot by lot: take nothing, or all there is and put
it where it earns most, or leave it over. So no supply price is needed:

    bound = Σ_l q_l min(0, c_l - max(g_l, max_p e_lp))
          + Σ_p (D_p min(max(0, y_p), k_p) + M_p min(0, y_p)) + Σ must-use price × R

with k infinite where no shortfall is allowed. A lot without a stated quantity would make this
-∞ as soon as it earns a hair more than it costs, which prices from a solver in floats do. So
y_p is first lowered until no such lot does, at the cost of D_p times that hair; and where it
may fall no further, for want of an M_p, q_l is taken as `PLENTY_LB`.

Any other row Σ_l b_l x_lp >= 0 that every plan keeps may be priced as well: `more` adds its
price × b_l to what a pound of l in p earns (so the promises, `blend.check.safe`).

Weak duality and the Lagrangean dual: Bertsimas and Tsitsiklis, Introduction to Linear
Optimization (1997), theorem 4.3 and section 11.4 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from blend.check.exact import delivered_usd_per_lb, exact, lean_limits, must_use_lb
from blend.check.frame import Frame, Framed, Pair, excess_heat
from blend.domain.case import Case
from blend.domain.prices import DualPrices
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector

PLENTY_LB = 100_000_000
"""More than any plan takes of one lot: 2,500 loads of 40,000 lb (the load of the USDA AMS
boneless beef reports, LM_XB450)."""
_FINEST = 10**30
"""A finished price that is lowered is lowered to a whole number of this part of a USD."""

More = Mapping[tuple[str, str], Fraction]
"""By lot and product: USD that a pound put in earns beside the prices."""


@dataclass(frozen=True, slots=True)
class _Tariff:
    """What the priced rows of one product pay for its meat, but the finished price."""

    lean: Fraction
    """USD per finished lb."""
    fat: Fraction
    chosen: Mapping[Selector, Fraction]
    """More for selected lots, USD per finished lb, below zero for less."""
    asked: Mapping[Selector, Fraction]
    """More for selected lots, USD per lb put in."""
    by_lot: Mapping[int, Fraction]
    """More for single lots, USD per lb put in."""


def dual_bound_usd(case: Case, prices: DualPrices) -> float:
    """A cost in USD that no plan of the case goes below, whatever the prices.

    Counted in exact fractions and rounded down to a float at the end.
    """
    return rounded_down(dual_bound(Frame(case), case, prices))


def dual_bound(frame: Frame, case: Case, prices: DualPrices, more: More | None = None) -> Fraction:
    """The same, exact, for a case that shares the frame."""
    return dual_bound_and_rents(frame, case, prices, more)[0]


def dual_bound_and_rents(
    frame: Frame, case: Case, prices: DualPrices, more: More | None = None
) -> tuple[Fraction, dict[str, Fraction]]:
    """The same, and by lot what a pound of it earns beyond its cost: by so much the bound falls
    with each further pound. Lots that earn no more than they cost are left out."""
    must_use = _must_use_prices(frame, case, prices)
    bound = sum((price * must_use_lb(rule, case) for rule, price in must_use.items()), Fraction(0))
    endless = frozenset(
        frame.place[lot.lot_id]
        for lot in case.lots
        if lot.quantity_lb is None and lot.lot_id in frame.place
    )
    rows = []
    for product in case.products:
        framed = frame.products[product.product_id]
        tariff = _tariff(frame, framed, product, prices, must_use, more)
        rates = list(_rates(framed, tariff))
        finished = _finished_price(frame, framed, case, product, rates, prices, endless)
        bound += _volume_value(product, finished)
        sold_at = exact(product.sale_usd_per_lb) + finished
        rows += [(pairs, lean + sold_at, fat + sold_at, flat) for pairs, lean, fat, flat in rates]
    earns_max, part = _earns_max(frame, rows)
    rents = {}
    for lot in case.lots:
        place = frame.place.get(lot.lot_id)
        if place is None:
            continue
        costs = delivered_usd_per_lb(lot)
        earns, left_over = earns_max[place], exact(lot.salvage_value_usd_per_lb)
        if left_over > costs or (
            earns is not None and earns * costs.denominator > costs.numerator * part
        ):
            maximum = left_over if earns is None else max(left_over, Fraction(earns, part))
            there_lb = PLENTY_LB if lot.quantity_lb is None else exact(lot.quantity_lb)
            rents[lot.lot_id] = maximum - costs
            bound -= there_lb * rents[lot.lot_id]
    return bound, rents


def earned(frame: Frame, case: Case, product: Product, prices: DualPrices) -> Iterator[tuple]:
    """By lot that the product may hold: its id, finished lb a pound put in, and what that pound
    earns in USD, sale and finished price left out."""
    framed = frame.products[product.product_id]
    must_use = _must_use_prices(frame, case, prices)
    tariff = _tariff(frame, framed, product, prices, must_use, None)
    for pairs, lean, fat, flat in _rates(framed, tariff):
        for pair in pairs:
            earns = (pair.lean * lean + pair.fat * fat) / frame.unit + flat
            yield frame.lots[pair.lot].lot_id, Fraction(pair.lean + pair.fat, frame.unit), earns


_Rate = tuple[Iterable[Pair], Fraction, Fraction, Fraction]
"""Pairs, and what they are paid: USD a finished lb of lean, of fat, and a lb put in."""


def _rates(framed: Framed, tariff: _Tariff) -> Iterator[_Rate]:
    for chosen_by, pairs in framed.groups:
        chosen = sum((tariff.chosen.get(by, 0) for by in chosen_by), Fraction(0))
        flat = sum((tariff.asked.get(by, 0) for by in chosen_by), Fraction(0))
        rate = tariff.lean + chosen, tariff.fat + chosen
        if not tariff.by_lot:
            yield pairs, *rate, flat
            continue
        for pair in pairs:
            yield (pair,), *rate, flat + tariff.by_lot.get(pair.lot, 0)


def _earns_max(frame: Frame, rows: list[_Rate]) -> tuple[list[int | None], int]:
    """By lot: the most that a pound of it earns in any product, None where none may hold it, as
    whole numbers of a part of a USD; and how many such parts there are in one.
    """
    part = math.lcm(*(rate.denominator for _, *rates in rows for rate in rates))
    maximum: list[int | None] = [None] * len(frame.lots)
    for pairs, *rates in rows:
        lean, fat, flat = (rate.numerator * (part // rate.denominator) for rate in rates)
        flat *= frame.unit
        for pair in pairs:
            earns = pair.lean * lean + pair.fat * fat + flat
            if maximum[pair.lot] is None or earns > maximum[pair.lot]:
                maximum[pair.lot] = earns
    return maximum, part * frame.unit


def _tariff(
    frame: Frame,
    framed: Framed,
    product: Product,
    prices: DualPrices,
    must_use: Mapping[Rule, Fraction],
    more: More | None,
) -> _Tariff:
    """Add up the priced rows: each pays its price for what it is about, and takes the share
    that is its limit back from all finished meat. A most is a least turned round."""
    min_lean, max_lean = lean_limits(product)
    lean_price = _price(prices.lean_min, product.product_id)
    lean_max_price = _price(prices.lean_max, product.product_id)
    lean = lean_price - lean_max_price
    back = lean_price * min_lean - lean_max_price * max_lean
    fat = Fraction(0)
    chosen: dict[Selector, Fraction] = {}
    asked: dict[Selector, Fraction] = {}
    by_lot: dict[int, Fraction] = {}
    for rule in framed.rules:
        key = (rule.rule_id, product.product_id)
        taken = Fraction(0)
        if rule.kind is RuleKind.FAT:
            paid, taken = _paid_and_taken(rule, key, prices.fat_min, prices.fat_max)
            fat += paid
        elif rule.kind is RuleKind.SHARE:
            paid, taken = _paid_and_taken(rule, key, prices.share_min, prices.share_max)
            chosen[rule.lots] = chosen.get(rule.lots, Fraction(0)) + paid
        elif rule.kind is RuleKind.MUST_USE:
            asked[rule.lots] = asked.get(rule.lots, Fraction(0)) + must_use.get(rule, 0)
        elif rule.kind is RuleKind.MAX_TEMP and (usd := _price(prices.temperature, key)):
            excess = excess_heat(rule)
            for pair in framed.pairs.values():
                heat = excess[frame.lots[pair.lot].lot_id]
                by_lot[pair.lot] = by_lot.get(pair.lot, Fraction(0)) - usd * heat
        back += taken
    for (lot_id, product_id), usd in (more or {}).items():
        if product_id == product.product_id:
            place = frame.place[lot_id]
            by_lot[place] = by_lot.get(place, Fraction(0)) + usd
    return _Tariff(lean - back, fat - back, chosen, asked, by_lot)


def _paid_and_taken(
    rule: Rule, key: tuple[str, str], minimum: Mapping[Any, float], maximum: Mapping[Any, float]
) -> tuple[Fraction, Fraction]:
    paid = taken = Fraction(0)
    if rule.min_share is not None:
        price = _price(minimum, key)
        paid, taken = paid + price, taken + price * exact(rule.min_share)
    if rule.max_share is not None:
        price = _price(maximum, key)
        paid, taken = paid - price, taken - price * exact(rule.max_share)
    return paid, taken


def _finished_price(
    frame: Frame,
    framed: Framed,
    case: Case,
    product: Product,
    rates: Iterable[_Rate],
    prices: DualPrices,
    endless: frozenset[int],
) -> Fraction:
    """The finished price, lowered until no lot without a stated quantity earns more than it
    costs; not below zero where the product has no most volume to price."""
    finished = exact(prices.finished.get(product.product_id, 0.0))
    sale = exact(product.sale_usd_per_lb)
    for pairs, lean, fat, flat in rates if endless & framed.pairs.keys() else ():
        for pair in pairs:
            mass = pair.lean + pair.fat
            if pair.lot not in endless or not mass:
                continue
            costs = delivered_usd_per_lb(case.lot(frame.lots[pair.lot].lot_id)) - flat
            covered = (costs * frame.unit - pair.lean * lean - pair.fat * fat) / mass - sale
            if covered < finished:
                finished = Fraction(math.floor(covered * _FINEST), _FINEST)
    return finished if product.max_lb is not None else max(Fraction(0), finished)


def _volume_value(product: Product, finished: Fraction) -> Fraction:
    if finished < 0:
        return finished * exact(product.max_lb)
    if product.shortage_penalty_usd_per_lb is not None:
        finished = min(finished, exact(product.shortage_penalty_usd_per_lb))
    return finished * exact(product.min_lb)


def _must_use_prices(frame: Frame, case: Case, prices: DualPrices) -> dict[Rule, Fraction]:
    """Of the rules that ask for a stated weight; the others no plan can keep."""
    return {
        rule: _price(prices.must_use, rule.rule_id)
        for rule in frame.must_use
        if must_use_lb(rule, case) is not None
    }


def _price(prices: Mapping[Any, float], key: Any) -> Fraction:
    return max(Fraction(0), exact(prices.get(key, 0.0)))


def rounded_down(number: Fraction) -> float:
    """The nearest float that is not above."""
    nearest = float(number)
    return nearest if Fraction(nearest) <= number else math.nextafter(nearest, -math.inf)
