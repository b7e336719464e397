"""Small invented horizons, and a second model of them that keeps every receipt apart by age."""

from __future__ import annotations

import itertools
from collections import defaultdict
from datetime import date, timedelta
from random import Random

import pulp

from blend.domain.case import Case, Settings
from blend.domain.horizon import (
    Cooler,
    DayRule,
    DayRuleKind,
    ForwardPrice,
    Freezing,
    Horizon,
    Order,
    Side,
    frozen_per_lb,
)
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, kept_per_lb
from blend.domain.selectors import parse_selector

DAY = date(2026, 3, 2)


def make_horizon(seed: int) -> Horizon:
    """Three to six days, fresh and frozen lots, a cooler and a freezer that can freeze.

    Shortfalls are allowed, so that there always is a plan.
    """
    random = Random(seed)
    days = [DAY + timedelta(days=shift) for shift in sorted(random.sample(range(9), 4))]
    days[0] = DAY
    lots = []
    for index, lean in enumerate((0.5, 0.65, 0.9, 0.94)):
        in_stock = random.random() < 0.5
        lots.append(
            Lot(
                lot_id=f"L{index}",
                item=f"{lean:.0%}",
                species="beef",
                lean=lean,
                price_usd_per_lb=round(0.3 + 3.4 * lean + random.uniform(-0.2, 0.2), 2),
                quantity_lb=float(random.randrange(0, 9, 2) * 1000),
                fresh_or_frozen="frozen" if index == 3 else "fresh",
                on_hand_or_offered="on hand" if in_stock else "offer",
                use_by=random.choice((None, DAY + timedelta(days=random.randrange(6)))),
                salvage_value_usd_per_lb=random.choice((-0.05, 0.0, 0.2)),
            )
        )
    products = [_product("P80", 0.80), _product("P70", 0.70)]
    orders = [_order(random, product, day) for product in products for day in days]
    prices = [
        ForwardPrice(
            f"{side} {lot.lot_id} {day}",
            side,
            lot.lot_id,
            day,
            round(
                max(0.05, lot.price_usd_per_lb * random.uniform(0.6, 1.3))
                - (0.5 if side is Side.BID else 0),
                2,
            ),
            random.choice((1500.0, 4000.0)),
            day + timedelta(days=random.randrange(5))
            if side is Side.OFFER and random.random() < 0.4
            else None,
        )
        for lot in lots
        for day in days
        for side in Side
        if random.random() < (0.6 if side is Side.OFFER else 0.2)
    ]
    coolers = (
        Cooler(
            "cooler",
            parse_selector("fresh_or_frozen=fresh"),
            random.choice((4000.0, None)),
            0.01,
            random.choice((1, 3)),
            0.0,
        ),
        Cooler(
            "freezer",
            parse_selector("fresh_or_frozen=frozen"),
            random.choice((3000.0, 20000.0)),
            0.004,
            random.choice((None, 4)),
            random.choice((0.0, 500.0)),
            Freezing(parse_selector("lean>=0.6"), 0.05, 2000.0, 0.02, 0.005),
        ),
    )
    case = Case(
        Settings(DAY),
        tuple(lots),
        tuple(products),
        losses=(Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), (), 0.03, 0.01),),
    )
    rules = (
        DayRule(
            "frozen", DayRuleKind.MAX_USED, parse_selector("fresh_or_frozen=frozen"), max_lb=3000.0
        ),
    )
    return Horizon(case, tuple(days), tuple(orders), tuple(prices), coolers, rules)


def _product(product_id: str, lean: float) -> Product:
    return Product(
        product_id, product_id, frozenset({"beef"}), lean, 0.01, 0.01, 0.0, None, 1000.0, 0.0, 1e6
    )


def _order(random: Random, product: Product, day: date) -> Order:
    min_lb = 1000.0 * random.randrange(4)
    sale = random.choice((0.0, 0.0, 2.9))
    room_lb = random.choice((0.0, 2000.0))
    order_id = f"{product.product_id} {day}"
    return Order(order_id, product.product_id, day, min_lb, min_lb + room_lb, 8.0, sale)


def min_cost_by_age(horizon: Horizon) -> float | None:
    """The least cost by PuLP and CBC, every receipt followed by itself; None without a plan.

    Meat frozen on a day is a receipt of its own, and leaves it on each day under its own name:
    nothing is assumed of what goes out first.
    """
    model = pulp.LpProblem("by_age", pulp.LpMinimize)
    count = len(horizon.days)
    cost: list = []
    used, frozen_by_day, held, sold, into = (defaultdict(list) for _ in range(5))

    names = (f"x{number}" for number in itertools.count())

    def new(upper: float | None = None) -> pulp.LpVariable:
        return model.add_variable(next(names), 0, upper)

    def follow(lot, place, amount, last_day, first_use):
        """One receipt from its day on."""
        before = amount
        cooler = horizon.cooler_of(lot)
        for at in range(place, count):
            day = horizon.days[at]
            out = []
            if at >= first_use and (last_day is None or day <= last_day):
                use = {o.product_id: new() for o in horizon.orders_on(day)}
                for product_id, x in use.items():
                    used[product_id, at].append((lot, x))
                    out.append(x)
                for bid in horizon.bids():
                    if bid.day == day and bid.lot_id == lot.lot_id:
                        x = new()
                        sold[bid.price_id].append(x)
                        cost.append(-bid.price_usd_per_lb * x)
                        out.append(x)
                freezer = horizon.freezer_of(lot)
                if freezer is not None:
                    x = new()
                    frozen_by_day[freezer.cooler_id, at].append(x)
                    into[lot.lot_id, at].append(x)
                    cost.append(freezer.freezing.usd_per_lb * x)
                    out.append(x)
            is_last = last_day is not None and last_day < horizon.after(at)
            if is_last:
                x = new()
                cost.append(max(0.0, -lot.salvage_value_usd_per_lb) * x)
                out.append(x)
            kept = new(0.0 if cooler is None or is_last else None)
            model.addConstraint(before - pulp.lpSum(out) == kept)
            if cooler is not None:
                held[cooler.cooler_id, at].append(kept)
                cost.append(cooler.holding_usd_per_lb_day * horizon.nights(at) * kept)
            if at == count - 1:
                cost.append(-lot.salvage_value_usd_per_lb * kept)
            if is_last:
                return
            before = kept

    for receipt in horizon.receipts:
        amount = receipt.max_lb
        if receipt.offer_id:
            amount = new(receipt.max_lb)
            cost.append(receipt.price_usd_per_lb * amount)
        follow(horizon.lot(receipt.lot_id), receipt.place, amount, receipt.last_day, receipt.place)
    for lot_id, fresh in horizon.fresh_of.items():
        lot = horizon.lot(lot_id)
        freezing = horizon.freezer_of(fresh).freezing
        for place, day in enumerate(horizon.days):
            amount = new()
            parts = into[fresh.lot_id, place]
            model.addConstraint(amount == frozen_per_lb(fresh, freezing) * pulp.lpSum(parts))
            follow(lot, place, amount, horizon.keeps_until(lot, day), place + 1)
    for bid in horizon.bids():
        if bid.quantity_lb is not None:
            model.addConstraint(pulp.lpSum(sold[bid.price_id]) <= bid.quantity_lb)
    for cooler in horizon.coolers:
        for at in range(count):
            if cooler.capacity_lb is not None:
                model.addConstraint(pulp.lpSum(held[cooler.cooler_id, at]) <= cooler.capacity_lb)
            if cooler.freezing is not None and cooler.freezing.max_lb is not None:
                parts = frozen_by_day[cooler.cooler_id, at]
                model.addConstraint(pulp.lpSum(parts) <= cooler.freezing.max_lb)
        model.addConstraint(
            pulp.lpSum(held[cooler.cooler_id, count - 1]) >= cooler.ending_inventory_lb
        )
    for order in horizon.orders:
        at = horizon.days.index(order.day)
        product = horizon.case.product(order.product_id)
        kept = [
            (kept_per_lb(lot, product, horizon.case.losses), x)
            for lot, x in used[order.product_id, at]
        ]
        made = pulp.lpSum((lean + fat) * x for (lean, fat), x in kept)
        lean = pulp.lpSum(lean * x for (lean, _), x in kept)
        short = new(order.min_lb)
        cost.append(order.shortage_penalty_usd_per_lb * short - order.sale_usd_per_lb * made)
        model.addConstraint(made + short >= order.min_lb)
        if order.max_lb is not None:
            model.addConstraint(made <= order.max_lb)
        model.addConstraint(lean >= product.min_lean * made)
        model.addConstraint(lean <= product.max_lean * made)
    for rule in horizon.day_rules:
        for at, day in enumerate(horizon.days):
            parts = [
                x
                for order in horizon.orders_on(day)
                for lot, x in used[order.product_id, at]
                if rule.lots.holds(lot)
            ]
            model.addConstraint(pulp.lpSum(parts) <= rule.max_lb)
    model.setObjective(pulp.lpSum(cost))
    model.solve(pulp.PULP_CBC_CMD(msg=False))
    return model.objective.value() if model.status == 1 else None
