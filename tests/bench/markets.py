"""Invented markets as a whole: items along a line of lean and fat, and what is ground of them."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from blend.domain.case import Case, Settings
from blend.domain.clearing import Demand, Market
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector, parse_selector
from tests.bench.instances import PLAN_ON


def make_market(items: int, products: int, seed: int = 1) -> Market:
    """An invented market of boneless beef: items along a line of lean and fat, off it by their
    premiums, and products that can be blended of them."""
    random = Random(f"market {items} {products} {seed}")
    lots = []
    for number in range(items):
        lean = round(0.5 + 0.45 * (number + 0.5) / items, 3)
        imported = lean > 0.8 and number % 3 == 0
        usd_per_lb = 4.02 * lean - 2.26 * (1 - lean) + random.gauss(0.0, 0.02)
        lots.append(
            Lot(
                lot_id=f"I{number + 1:03d}",
                item=f"item {number + 1}",
                species="beef",
                lean=lean,
                price_usd_per_lb=round(max(0.32, usd_per_lb - 0.15 * imported), 4),
                quantity_lb=float(random.randrange(100_000, 500_000, 10_000)),
                fresh_or_frozen="frozen" if imported else "fresh",
                origin="overseas" if imported else DOMESTIC,
                salvage_value_usd_per_lb=0.30,
            )
        )
    pounds = sum(lot.max_lb for lot in lots)
    mean = sum(lot.lean * lot.max_lb for lot in lots) / pounds
    ground = tuple(
        ground_beef(
            f"G{number + 1:02d}",
            f"ground beef {number + 1}",
            round(mean + 0.16 * ((number + 0.5) / products - 0.5), 4),
        )
        for number in range(products)
    )
    frozen = Rule(
        "FROZEN", RuleKind.SHARE, lots=parse_selector("fresh_or_frozen=frozen"), max_share=0.4
    )
    case = Case(
        Settings(PLAN_ON, plant="an invented market"),
        tuple(lots),
        ground,
        (frozen,),
    )
    demands = tuple(
        Demand(each.product_id, round(0.97 * pounds / products), -random.uniform(1.0, 2.2))
        for each in ground
    )
    return Market(case, demands)


def moved_market(market: Market, own: Selector) -> Market:
    """The market after a week in which every driver of its prices moved; `own` is the item."""
    lots = tuple(
        replace(lot, quantity_lb=lot.quantity_lb * (0.9 if lot.origin != DOMESTIC else 1.02))
        for lot in market.case.lots
    )
    lots = tuple(
        replace(lot, quantity_lb=0.95 * lot.quantity_lb) if own.holds(lot) else lot for lot in lots
    )
    rules = tuple(replace(rule, max_share=0.38) for rule in market.case.rules)
    demands = tuple(replace(each, volume_lb=1.015 * each.volume_lb) for each in market.demands)
    return Market(replace(market.case, lots=lots, rules=rules), demands)


def ground_beef(product_id: str, name: str, lean: float) -> Product:
    """What a market makes: without a tolerance, so that lean binds on both sides, and without
    an order, as its demand sets the pounds."""
    return Product(
        product_id=product_id,
        name=name,
        species=frozenset({"beef"}),
        target_lean=lean,
        tolerance_below_share=0.0,
        tolerance_above_share=0.0,
        min_lb=0.0,
        max_lb=None,
        batch_lb=4_000.0,
        blender_min_lb=2_000.0,
        blender_max_lb=5_000.0,
    )
