"""Invented markets: seeded cases of any size, for tests and benchmarks.

Every case has a plan in the linear program, by construction: each product is first given a
hidden recipe of lots still in hand, and its order, its shares and its rules are then laid
around what that recipe holds. Prices and quantities are invented; the shape is the trade's:
lean at a higher price than fat, much imported lean frozen in boxes, fat fresh in combos.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from random import Random
from typing import Any

from blend.domain.case import Case, Settings
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers, kept_per_lb
from blend.domain.selectors import parse_selector

PLAN_ON = date(2026, 3, 2)
TRADE_POINTS = (50, 65, 73, 75, 81, 85, 90, 92, 94)
"""Lean points that trimmings trade by (common practice; the list varies by report)."""
COMBO_LB, BOX_LB = 2_000.0, 60.0
"""Nominal net weights (common practice, no source)."""
CHEEK_MAX_SHARE = 0.25
"""9 CFR 319.15."""
THAW = Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.02)
"""An assumed purge: water and protein, so it takes lean."""
PROGRAM = "grass-fed"
USD_OF_BEEF = {"beef": 1.0, "pork": 0.62, "poultry": 0.41}
"""Price of a species by that of beef at the same lean; invented."""
MIN_LOT_LB, MAX_LOT_LB = 2_000.0, 42_000.0
USUAL_BATCHES_LB = (6_000.0, 8_000.0, 10_000.0)
MIN_ORDER_LB = USUAL_BATCHES_LB[0]


@dataclass(frozen=True, slots=True)
class Kind:
    """What a kind of market is like."""

    species: tuple[str, ...]
    point_weights: tuple[int, ...]
    """How common each of `TRADE_POINTS` is."""
    demand_share: tuple[float, float]
    """Of all pounds on offer, those ordered, if lean reaches so far; drawn between the two."""
    tolerances_share: tuple[float, ...]
    imported_max_share: float
    frozen_ruled: float
    """Chance that a product has bounds on frozen meat."""
    scarce_lean: bool
    """Whether little more lean is on offer than the hidden recipes draw."""
    plant_rules: bool
    """Whether sellers and plant have more rules than usual."""


KINDS = {
    "plain": Kind(
        species=("beef",),
        point_weights=(3, 3, 2, 2, 3, 3, 4, 2, 2),
        demand_share=(0.27, 0.40),
        tolerances_share=(0.005, 0.0075, 0.01),
        imported_max_share=0.40,
        frozen_ruled=0.3,
        scarce_lean=False,
        plant_rules=False,
    ),
    "tight": Kind(
        species=("beef", "pork", "poultry"),
        point_weights=(8, 5, 3, 3, 2, 2, 3, 1, 1),
        demand_share=(0.60, 0.60),
        tolerances_share=(0.0025, 0.005),
        imported_max_share=0.30,
        frozen_ruled=0.5,
        scarce_lean=True,
        plant_rules=True,
    ),
}


def make_instance(
    lots: int,
    products: int,
    seed: int,
    kind: str = "plain",
    *,
    whole: WholeContainers = WholeContainers.NO,
) -> Case:
    """A case of the given size; the same arguments give the same case.

    `kind` "plain" has meat to spare. In "tight" lean is scarce, so that supply binds on many
    lots; tolerances are narrow, species several, and every kind of rule is in force. `whole`
    is where containers must be whole, on the same market: a plan is sure where they are taken
    whole, likely where products receive them whole, and chance where batches do.
    Raises ValueError below two lots: to blend, one leaner and one fatter is needed.
    """
    if lots < 2:
        raise ValueError(f"an instance has at least 2 lots, not {lots}")
    market = _Market(KINDS[kind], Random(f"{kind} {lots} {products} {seed}"))
    _offer_lots(market, lots)
    _order_products(market, products)
    _rule_market(market)
    if market.kind.scarce_lean:
        _sell_lean_elsewhere(market)
    return Case(
        Settings(plan_on=PLAN_ON, plant="an invented plant", whole_containers=whole),
        tuple(market.lots.values()),
        tuple(market.products),
        tuple(market.rules),
        (THAW,),
    )


@dataclass
class _Market:
    """The market while it fills, and what the hidden recipes draw from its lots."""

    kind: Kind
    random: Random
    lots: dict[str, Lot] = field(default_factory=dict)
    products: list[Product] = field(default_factory=list)
    rules: list[Rule] = field(default_factory=list)
    left_lb: dict[str, float] = field(default_factory=dict)
    """Of each lot, what no recipe has drawn yet."""
    kept: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Finished lean and fat, lb per lb; the only loss falls on all products alike."""

    def happens(self, chance: float) -> bool:
        return self.random.random() < chance


# Lots -------------------------------------------------------------------------------------------


def _offer_lots(market: _Market, count: int) -> None:
    """The first two lots of each species are plain fresh lean and fat, so that it blends."""
    species_met = market.kind.species[: max(1, count // 8)]
    for number in range(count):
        species = species_met[number % len(species_met)]
        sure_point = {0: 94, 1: 50}.get(number // len(species_met))
        lot = _offer_lot(market, f"L{number + 1:04d}", species, sure_point)
        market.lots[lot.lot_id] = lot
        market.left_lb[lot.lot_id] = lot.max_lb


def _offer_lot(market: _Market, lot_id: str, species: str, sure_point: int | None) -> Lot:
    random, happens = market.random, market.happens
    point = sure_point or random.choices(TRADE_POINTS, market.kind.point_weights)[0]
    imported = sure_point is None and happens(0.35 if point >= 85 else 0.05)
    frozen = imported or (sure_point is None and happens(0.10))
    cheek = sure_point is None and not imported and point <= 85 and happens(0.08)
    container, container_lb = ("box", BOX_LB) if frozen else ("combo", COMBO_LB)
    min_containers = math.ceil(MIN_LOT_LB / container_lb)
    max_containers = math.floor(MAX_LOT_LB / container_lb)
    drawn_containers = random.randint(min_containers, max_containers)
    containers = max_containers if sure_point else drawn_containers
    lean = round(point / 100 + max(-0.01, min(0.01, random.gauss(0, 0.004))), 4)
    usd_per_lb = _lean_line_usd_per_lb(lean) * USD_OF_BEEF[species] * random.gauss(1, 0.03)
    usd_per_lb *= (0.96 if imported else 1) * (0.98 if frozen else 1) * (0.9 if cheek else 1)
    fob = happens(0.2)
    lot = Lot(
        lot_id=lot_id,
        item=f"{species} {'cheek' if cheek else f'{point}s'} {'frozen' if frozen else 'fresh'}",
        species=species,
        lean=lean,
        price_usd_per_lb=round(usd_per_lb, 4),
        quantity_lb=containers * container_lb,
        fresh_or_frozen="frozen" if frozen else "fresh",
        origin=random.choice(("overseas north", "overseas south")) if imported else DOMESTIC,
        meat_class="cheek" if cheek else "trimmings",
        supplier=f"supplier {random.randint(1, 12):02d}",
        price_basis="fob" if fob else "delivered",
        freight_usd_per_lb=round(random.uniform(0.02, 0.06), 4) if fob else 0.0,
        container=container,
        container_lb=container_lb,
        use_by=PLAN_ON + timedelta(days=180 if frozen else random.randint(3, 14)),
    )
    return _ask_more(market, lot) if market.kind.plant_rules else lot


def _ask_more(market: _Market, lot: Lot) -> Lot:
    """Stock that keeps some value, least purchases, lots sold whole, a program."""
    happens = market.happens
    if happens(0.3):
        lot = replace(lot, label_claims=frozenset({PROGRAM}))
    if happens(0.15):
        value = round(0.8 * lot.price_usd_per_lb, 4)
        return replace(lot, on_hand_or_offered="on hand", salvage_value_usd_per_lb=value)
    if happens(0.1):
        return replace(lot, min_purchase_lb=min(lot.max_lb, 4_020.0))
    if happens(0.03):
        return replace(lot, must_take_all=True)
    return lot


def _lean_line_usd_per_lb(lean: float) -> float:
    """Beef by its lean: convex, since fat is worth little where no lean is there for it."""
    points_up = (lean - 0.5) / 0.44
    return 0.55 + 0.85 * points_up + 0.95 * points_up**2


# Products and their hidden recipes --------------------------------------------------------------


def _order_products(market: _Market, count: int) -> None:
    on_offer_lb = sum(market.left_lb.values())
    wanted_lb = on_offer_lb * market.random.uniform(*market.kind.demand_share)
    weights = [market.random.uniform(0.5, 1.5) for _ in range(count)]
    points = [round(70 + 23 * (number + 0.5) / count) for number in range(count)]
    product_ids = [f"P{number + 1:02d}" for number in range(count)]
    market.random.shuffle(product_ids)
    # the leanest first: little else than the leanest lots can raise them
    for number in reversed(range(count)):
        draft = _draft_product(market, product_ids[number], points[number])
        product_lb = wanted_lb * weights[number] / sum(weights)
        recipe = _hide_recipe(market, draft, product_lb, products_left=number + 1)
        product = _size_order(market, draft, sum(recipe.values()))
        market.products.append(product)
        if product.min_lb > 0:
            _rule_product(market, product, recipe)


def _draft_product(market: _Market, product_id: str, point: int) -> Product:
    """The product but for its order, which waits for the recipe."""
    tolerance_share = market.random.choice(market.kind.tolerances_share)
    species = {market.random.choice(list(market.lots.values())).species}
    label_claims = set()
    shortage_penalty_usd_per_lb, sale_usd_per_lb = None, 0.0
    if market.kind.plant_rules:
        if market.happens(0.2):
            species |= {"beef", "pork"}
        if market.happens(0.1):
            label_claims.add(PROGRAM)
        if market.happens(0.15):
            shortage_penalty_usd_per_lb = 4.0
        if market.happens(0.3):
            level = max(USD_OF_BEEF[name] for name in species)
            sale_usd_per_lb = round(1.2 * level * _lean_line_usd_per_lb(point / 100), 4)
    return Product(
        product_id=product_id,
        name=f"ground {' and '.join(sorted(species))} {point}/{100 - point}",
        species=frozenset(species),
        target_lean=point / 100,
        tolerance_below_share=tolerance_share,
        tolerance_above_share=tolerance_share,
        min_lb=0.0,
        max_lb=MIN_ORDER_LB,
        batch_lb=MIN_ORDER_LB,
        blender_min_lb=0.5 * MIN_ORDER_LB,
        blender_max_lb=1.1 * MIN_ORDER_LB,
        label_claims=frozenset(label_claims),
        shortage_penalty_usd_per_lb=shortage_penalty_usd_per_lb,
        sale_usd_per_lb=sale_usd_per_lb,
    )


def _size_order(market: _Market, draft: Product, hidden_lb: float) -> Product:
    """An order that the hidden recipe fills; where there is none, the draft's free choice."""
    if hidden_lb == 0:
        return draft
    batch_lb = market.random.choice([lb for lb in USUAL_BATCHES_LB if lb <= hidden_lb])
    return replace(
        draft,
        min_lb=100.0 * math.floor(hidden_lb / 100),
        max_lb=100.0 * math.ceil(1.05 * hidden_lb / 100),
        batch_lb=batch_lb,
        blender_min_lb=0.5 * batch_lb,
        blender_max_lb=1.1 * batch_lb,
    )


def _hide_recipe(
    market: _Market, draft: Product, wanted_lb: float, products_left: int
) -> dict[str, float]:
    """Finished lb by lot that make the product on its target, drawn from what is left.

    Pearson's square between a leaner side, in part imported, and a fatter one. No product
    draws much more than its part of what is left, so that the last ones find lean too. Empty
    where a side is missing or too little is left for one batch.
    """
    max_part = 1.5 / products_left
    sides = {
        name: _draw(market, side, min(wanted_lb, max_part * sum(side.values())))
        for name, side in _sides(market, draft).items()
    }
    if not sides["leaner"] or not sides["fatter"]:
        return {}
    drawn_lb = {name: sum(side.values()) for name, side in sides.items()}
    imported = min(
        market.random.uniform(0.3, 0.9) * market.kind.imported_max_share,
        drawn_lb["imported"] / (drawn_lb["imported"] + drawn_lb["leaner"]),
    )
    lean_of = {name: _lean(market, side) for name, side in sides.items() if side}
    lean_side = (1 - imported) * lean_of["leaner"] + imported * lean_of.get("imported", 0.0)
    above = draft.target_lean - lean_of["fatter"]
    square = above / (lean_side - lean_of["fatter"])
    parts = {
        "leaner": square * (1 - imported),
        "imported": square * imported,
        "fatter": 1 - square,
    }
    made_lb = min(wanted_lb, *(drawn_lb[name] / part for name, part in parts.items() if part))
    if made_lb < MIN_ORDER_LB:
        return {}
    recipe = {
        lot_id: made_lb * parts[name] * lb / drawn_lb[name]
        for name, side in sides.items()
        for lot_id, lb in side.items()
    }
    for lot_id, finished_lb in recipe.items():
        market.left_lb[lot_id] -= finished_lb / sum(market.kept[lot_id])
    return recipe


def _sides(market: _Market, draft: Product) -> dict[str, dict[str, float]]:
    """Finished lb left by lot, of those that a recipe may draw on, by side of the target.

    Cheek and imported fat stay out, so that the usual rules on them hold by themselves.
    """
    sides = {"leaner": {}, "imported": {}, "fatter": {}}
    for lot_id, lot in market.lots.items():
        if lot_id not in market.kept:
            market.kept[lot_id] = kept_per_lb(lot, draft, (THAW,))
        lean, fat = market.kept[lot_id]
        left_lb = market.left_lb[lot_id] * (lean + fat)
        above_share = lean / (lean + fat) - draft.target_lean
        domestic = lot.origin == DOMESTIC
        if (
            left_lb >= 1
            and abs(above_share) >= 0.002
            and lot.meat_class != "cheek"
            and lot.species in draft.species
            and draft.label_claims <= lot.label_claims
            and (domestic or above_share > 0)
        ):
            side = "fatter" if above_share < 0 else "leaner" if domestic else "imported"
            sides[side][lot_id] = left_lb
    return sides


def _draw(market: _Market, side: dict[str, float], max_lb: float) -> dict[str, float]:
    """Some lots of a side, enough for `max_lb` if there is that much, and no more in all."""
    lot_ids = list(side)
    market.random.shuffle(lot_ids)
    drawn, total_lb = {}, 0.0
    for lot_id in lot_ids:
        if total_lb >= max_lb:
            break
        drawn[lot_id] = side[lot_id]
        total_lb += side[lot_id]
    scale = min(1.0, max_lb / total_lb) if drawn else 1.0
    return {lot_id: lb * scale for lot_id, lb in drawn.items()}


def _lean(market: _Market, side: dict[str, float]) -> float:
    """Of the side's finished pounds."""
    kept = market.kept
    lean_lb = sum(lb * kept[lot_id][0] / sum(kept[lot_id]) for lot_id, lb in side.items())
    return lean_lb / sum(side.values())


def _sell_lean_elsewhere(market: _Market) -> None:
    """Leave of each lean lot what the recipes draw and one twentieth, in whole containers."""
    for lot_id, lot in market.lots.items():
        if lot.lean >= 0.79:
            drawn_lb = lot.max_lb - market.left_lb[lot_id]
            containers = math.ceil(max(MIN_LOT_LB, 1.05 * drawn_lb) / lot.container_lb)
            quantity_lb = min(lot.max_lb, containers * lot.container_lb)
            min_purchase_lb = min(lot.min_purchase_lb, quantity_lb)
            market.lots[lot_id] = replace(
                lot, quantity_lb=quantity_lb, min_purchase_lb=min_purchase_lb
            )


# Rules laid around the recipes ------------------------------------------------------------------


def _rule_market(market: _Market) -> None:
    """The rules on every product, and the plant's wish to be rid of old stock."""
    max_imported = market.kind.imported_max_share
    market.rules += [
        _rule("imported", RuleKind.SHARE, f"origin!={DOMESTIC}", max_share=max_imported),
        _rule("cheek", RuleKind.SHARE, "meat_class=cheek", max_share=CHEEK_MAX_SHARE),
    ]
    stock = [lot for lot in market.lots.values() if lot.on_hand_or_offered == "on hand"]
    drawn_lb = sum(lot.max_lb - market.left_lb[lot.lot_id] for lot in stock)
    if drawn_lb > 0:
        min_lb = float(math.floor(0.8 * drawn_lb))
        market.rules.append(
            _rule("stock", RuleKind.MUST_USE, "on_hand_or_offered=on hand", min_lb=min_lb)
        )


def _rule_product(market: _Market, product: Product, recipe: dict[str, float]) -> None:
    """Rules on one product that its hidden recipe (finished lb by lot) keeps with room."""
    made_lb = sum(recipe.values())

    def share_of(attribute: str, value: str) -> float:
        lots = [lot_id for lot_id in recipe if getattr(market.lots[lot_id], attribute) == value]
        return sum(recipe[lot_id] for lot_id in lots) / made_lb

    def add(what: str, kind: RuleKind, lots: str = "", **limits: Any) -> None:
        rule_id = f"{product.product_id} {what}"
        market.rules.append(_rule(rule_id, kind, lots, products=(product.product_id,), **limits))

    if market.happens(market.kind.frozen_ruled):
        add(
            "frozen",
            RuleKind.SHARE,
            "fresh_or_frozen=frozen",
            **_bounds_around(share_of("fresh_or_frozen", "frozen")),
        )
    if not market.kind.plant_rules:
        return
    if len(product.species) > 1:
        add("pork", RuleKind.SHARE, "species=pork", **_bounds_around(share_of("species", "pork")))
    suppliers = {market.lots[lot_id].supplier for lot_id in recipe}
    strangers = sorted({lot.supplier for lot in market.lots.values()} - suppliers)
    main = max(sorted(suppliers), key=lambda name: share_of("supplier", name))
    if market.happens(0.4):
        max_share = _bounds_around(share_of("supplier", main))["max_share"]
        add("main supplier", RuleKind.SHARE, f"supplier={main}", max_share=max_share)
    if market.happens(0.3):
        max_fat_share = 1 - product.target_lean + 0.5 * product.tolerance_below_share
        add("fat", RuleKind.FAT, max_share=round(max_fat_share, 5))
    if strangers and market.happens(0.3):
        add("barred", RuleKind.MUST_NOT_USE, f"supplier={market.random.choice(strangers)}")
    if strangers and market.happens(0.2):
        against = parse_selector(f"supplier={market.random.choice(strangers)}")
        add("apart", RuleKind.KEEP_APART, f"supplier={main}", against=against)
    if market.happens(0.2):
        add("lot count", RuleKind.MAX_LOTS, max_count=len(recipe) + 1)
    min_share = math.floor(1_000 * min(recipe.values()) / made_lb) / 1_000
    if min_share > 0 and market.happens(0.2):
        add("least if used", RuleKind.MIN_IF_USED, min_share=min_share)
    if market.happens(0.2):
        add("equal", RuleKind.EQUAL_RECIPE)


def _rule(rule_id: str, kind: RuleKind, lots: str, **limits: Any) -> Rule:
    return Rule(rule_id, kind, lots=parse_selector(lots), **limits)


def _bounds_around(share: float) -> dict[str, float]:
    """In whole points, from four fifths of the share to six fifths and two points."""
    max_share = min(100, math.ceil(120 * share + 2)) / 100
    return {"min_share": math.floor(80 * share) / 100, "max_share": max_share}
