"""The independent check of a plan of several days: every requirement, and the money.

The stock is kept in layers by last day, the oldest going out first, and each day's blends are
checked as a day of their own. A plan of several days is not rounded, so nothing is met "within
rounding"; the only tolerance is for binary rounding. The check is arithmetic on the tables, not a
test of the meat.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from blend.check.check import check_plan
from blend.domain.days import DayBlend, DayCheck, DaysMoney, DaysPlan
from blend.domain.exact import NEAR, exact, kept_of_lb, total
from blend.domain.horizon import (
    DayConstraintClass,
    DayRequirement,
    DayRule,
    DayRuleKind,
    ForwardPrice,
    Freezing,
    Horizon,
    Receipt,
)
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Check, Take, Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers

_NOT_BY_DAY = (ConstraintClass.BATCH_FILL, ConstraintClass.EQUAL_RECIPE)
"""Settled by each day's own plan."""
_ZERO = Fraction(0)
_SOLVER_LB = Fraction(1, 10_000)
"""A balance of pounds that the solver's tolerance can leave open over all days."""


def check_days(horizon: Horizon, plan: DaysPlan) -> tuple[DayCheck, ...]:
    """Check every requirement of every day.

    A lot, product, offer or bid that the horizon does not hold is a KeyError.
    """
    stock = _run_through(horizon, plan)
    return (
        *(check for place in range(len(horizon.days)) for check in _blends(horizon, plan, place)),
        *_stock(horizon, plan, stock),
        *_trades(horizon, plan),
        *_rooms(horizon, plan, stock),
        *_day_rules(horizon, plan),
        *_must_use(horizon, plan),
    )


def count_days_money(horizon: Horizon, plan: DaysPlan) -> DaysMoney:
    """What the plan costs, in USD, from its pounds and the prices of the tables."""
    stock = _run_through(horizon, plan)
    offers = {receipt.offer_id: receipt for receipt in horizon.receipts}
    bids = {bid.price_id: bid for bid in horizon.bids()}
    orders = {(order.product_id, order.day): order for order in horizon.orders}
    holding = closing = _ZERO
    for (lot_id, place), kept_lb in stock.kept_lb.items():
        lot = horizon.lot(lot_id)
        cooler = horizon.cooler_of(lot)
        if cooler is not None:
            rate = exact(cooler.holding_usd_per_lb_day) * horizon.nights(place)
            holding += kept_lb * rate
        if place + 1 == len(horizon.days):
            closing += kept_lb * exact(lot.salvage_value_usd_per_lb)
    made = [(blend, orders[blend.product_id, blend.day]) for blend in plan.blends]
    return DaysMoney(
        bought_usd=_usd(
            (row.pounds_lb, offers[row.offer_id].price_usd_per_lb) for row in plan.purchases
        ),
        freezing_usd=_usd(
            (row.fresh_lb, _freezing_of(horizon, horizon.lot(row.lot_id)).usd_per_lb)
            for row in plan.freezes
        ),
        holding_usd=float(holding),
        disposal_usd=_usd(
            (row.pounds_lb, max(0.0, -horizon.lot(row.lot_id).salvage_value_usd_per_lb))
            for row in plan.wastes
        ),
        shortage_penalty_usd=_usd(
            (blend.short_lb, order.shortage_penalty_usd_per_lb or 0.0) for blend, order in made
        ),
        product_sales_usd=_usd(
            (float(_made_lb(horizon, blend)[1]), order.sale_usd_per_lb) for blend, order in made
        ),
        sold_on_usd=_usd(
            (row.pounds_lb, bids[row.price_id].price_usd_per_lb) for row in plan.sales
        ),
        leftover_credit_usd=float(closing),
    )


def _usd(pounds_and_prices: Iterable[tuple[float, float]]) -> float:
    return float(total(exact(lb) * exact(price) for lb, price in pounds_and_prices))


def _made_lb(horizon: Horizon, blend: DayBlend) -> tuple[Fraction, Fraction]:
    """Lean and all finished pounds that the ingredients make."""
    product = horizon.case.product(blend.product_id)
    lean_lb = finished_lb = _ZERO
    for part in blend.ingredients:
        lean, fat = kept_of_lb(horizon.lot(part.lot_id), product, horizon.case.losses)
        lean_lb += exact(part.pounds_lb) * lean
        finished_lb += exact(part.pounds_lb) * (lean + fat)
    return lean_lb, finished_lb


def _checked(
    day: date,
    constraint_class: ConstraintClass | DayConstraintClass,
    value: Fraction,
    *,
    minimum: Fraction | float | None = None,
    maximum: Fraction | float | None = None,
    unit: str = "lb",
    note: str = "",
    product_id: str = "",
    lot_id: str = "",
    rule_id: str = "",
    cooler_id: str = "",
    price_id: str = "",
) -> DayCheck:
    """A requirement of a day and its verdict."""
    return DayCheck(
        requirement=DayRequirement(
            day, constraint_class, product_id, lot_id, rule_id, cooler_id, price_id
        ),
        read=float(value),
        minimum=None if minimum is None else float(minimum),
        maximum=None if maximum is None else float(maximum),
        unit=unit,
        verdict=Verdict.MET if _is_kept(value, minimum, maximum) else Verdict.BROKEN,
        note=note,
    )


def _is_kept(
    read: Fraction | float, minimum: Fraction | float | None, maximum: Fraction | float | None
) -> bool:
    """Whether the reading lies within its limits, but for what binary fractions leave behind.
    Floats are taken as exactly what they are."""
    if minimum is not None and read < minimum and read < Fraction(minimum) - _room(minimum):
        return False
    return maximum is None or read <= maximum or read <= Fraction(maximum) + _room(maximum)


def _room(limit: Fraction | float) -> Fraction:
    return NEAR * max(Fraction(1), abs(Fraction(limit)))


# Blends -------------------------------------------------------------------------------------


def _blends(horizon: Horizon, plan: DaysPlan, place: int) -> Iterator[DayCheck]:
    """Each day's blends as a day of their own, held strictly."""
    day = horizon.days[place]
    case = horizon.day_cases[place]
    blends = [blend for blend in plan.blends if blend.day == day]
    used: dict[str, float] = defaultdict(float)
    for blend in blends:
        for part in blend.ingredients:
            used[part.lot_id] += part.pounds_lb
    checks = check_plan(
        case,
        [Take(lot_id, pounds, None, pounds) for lot_id, pounds in used.items()],
        [
            BatchRun(blend.product_id, 1, blend.ingredients, blend.finished_lb, blend.lean or 0.0)
            for blend in blends
            if blend.ingredients
        ],
        {blend.product_id: blend.short_lb for blend in blends},
    )
    for check in checks:
        if check.requirement.constraint_class not in _NOT_BY_DAY:
            yield _strictly(check, day)
    for blend in blends:
        yield from _stated(horizon, blend)


def _strictly(check: Check, day: date) -> DayCheck:
    """A check of one day without any allowance for whole pounds."""
    requirement = DayRequirement(
        day,
        check.requirement.constraint_class,
        check.requirement.product_id,
        check.requirement.lot_id,
        check.requirement.rule_id,
    )
    return DayCheck(
        requirement=requirement,
        read=check.read,
        minimum=check.minimum,
        maximum=check.maximum,
        unit=check.unit,
        verdict=_strict_verdict(check),
        note=check.note,
        section=check.section,
    )


def _strict_verdict(check: Check) -> Verdict:
    if check.verdict in (Verdict.MET, Verdict.WARNING, Verdict.NOTE):
        return check.verdict
    # broken although the reading lies well within its limits: the plan misstates something
    misstated = check.verdict is Verdict.BROKEN and not _is_at_or_beyond_limit(check)
    is_kept = _is_kept(check.read, check.minimum, check.maximum)
    return Verdict.MET if is_kept and not misstated else Verdict.BROKEN


def _is_at_or_beyond_limit(check: Check) -> bool:
    read = Fraction(check.read)
    below = check.minimum is not None and read <= Fraction(check.minimum) + _room(check.minimum)
    above = check.maximum is not None and read >= Fraction(check.maximum) - _room(check.maximum)
    return below or above


def _stated(horizon: Horizon, blend: DayBlend) -> Iterator[DayCheck]:
    """What the plan says of a blend is what its ingredients make."""
    lean_lb, finished_lb = _made_lb(horizon, blend)
    figures = [(exact(blend.finished_lb), finished_lb, "lb")]
    if finished_lb:
        figures.append((exact(blend.lean or 0.0), lean_lb / finished_lb, "share"))
    for stated, right, unit in figures:
        yield _checked(
            blend.day,
            ConstraintClass.MASS,
            stated,
            minimum=right,
            maximum=right,
            unit=unit,
            product_id=blend.product_id,
        )


# Stock --------------------------------------------------------------------------------------


@dataclass
class _Stock:
    """The stock run through from the first day, keyed by lot and place of the day."""

    kept_lb: dict[tuple[str, int], Fraction] = field(default_factory=dict)
    lacking_lb: dict[tuple[str, int], Fraction] = field(default_factory=dict)
    """What goes out beyond what is there."""
    past_day_lb: dict[tuple[str, int], Fraction] = field(default_factory=dict)
    """What is kept overnight though it is not good the day after."""


def _run_through(horizon: Horizon, plan: DaysPlan) -> _Stock:
    """Let the plan's pounds come in and go out, what expires first going first."""
    come_in, go_out, frozen = _movements(horizon, plan)
    stock = _Stock()
    for lot in horizon.lots:
        layers: list[tuple[date, Fraction]] = []
        for place in range(len(horizon.days)):
            key = lot.lot_id, place
            layers = sorted(layers + come_in[key])
            stock.lacking_lb[key] = _draw(layers, go_out[key])
            # what is frozen today can go out tomorrow, so it joins once all has gone out
            layers = sorted(layers + frozen[key])
            stock.kept_lb[key] = total(lb for _, lb in layers)
            needed_until = horizon.after(place)
            stock.past_day_lb[key] = total(lb for last, lb in layers if last < needed_until)
    return stock


def _draw(layers: list[tuple[date, Fraction]], wanted_lb: Fraction) -> Fraction:
    """Take pounds from the layers, first the first; give back what is lacking."""
    while layers and wanted_lb > 0:
        last, there_lb = layers[0]
        taken_lb = min(there_lb, wanted_lb)
        wanted_lb -= taken_lb
        if taken_lb < there_lb:
            layers[0] = (last, there_lb - taken_lb)
        else:
            layers.pop(0)
    return wanted_lb


def _movements(horizon: Horizon, plan: DaysPlan):
    """What comes in as layers, what goes out, and what is frozen, by lot and place of day."""
    place_of = {day: place for place, day in enumerate(horizon.days)}
    come_in, frozen = defaultdict(list), defaultdict(list)
    go_out: dict[tuple[str, int], Fraction] = defaultdict(Fraction)
    bought = {row.offer_id: exact(row.pounds_lb) for row in plan.purchases}
    for receipt in horizon.receipts:
        lb = bought[receipt.offer_id] if receipt.offer_id else exact(receipt.max_lb)
        come_in[receipt.lot_id, receipt.place].append((receipt.last_day or date.max, lb))
    for blend in plan.blends:
        for part in blend.ingredients:
            go_out[part.lot_id, place_of[blend.day]] += exact(part.pounds_lb)
    for sale in plan.sales:
        go_out[sale.lot_id, place_of[sale.day]] += exact(sale.pounds_lb)
    for waste in plan.wastes:
        go_out[waste.lot_id, place_of[waste.day]] += exact(waste.pounds_lb)
    for row in plan.freezes:
        place = place_of[row.day]
        go_out[row.lot_id, place] += exact(row.fresh_lb)
        fresh, made = horizon.lot(row.lot_id), horizon.lot(row.frozen_lot_id)
        kept = _kept_when_frozen(fresh, _freezing_of(horizon, fresh))
        last = horizon.keeps_until(made, row.day) or date.max
        frozen[made.lot_id, place].append((last, exact(row.fresh_lb) * kept))
    return come_in, go_out, frozen


def _freezing_of(horizon: Horizon, fresh: Lot) -> Freezing:
    """KeyError where no cooler freezes the lot."""
    cooler = horizon.freezer_of(fresh)
    if cooler is None or cooler.freezing is None:
        raise KeyError(fresh.lot_id)
    return cooler.freezing


def _kept_when_frozen(fresh: Lot, freezing: Freezing) -> Fraction:
    lean = exact(fresh.lean)
    return lean * (1 - exact(freezing.lean_loss_share)) + (1 - lean) * (
        1 - exact(freezing.fat_loss_share)
    )


def _stock(horizon: Horizon, plan: DaysPlan, stock: _Stock) -> Iterator[DayCheck]:
    stated = {(row.lot_id, row.day): exact(row.kept_lb) for row in plan.ledger}
    for lot in horizon.lots:
        for place, day in enumerate(horizon.days):
            key = lot.lot_id, place
            kept_lb = stock.kept_lb[key]
            off_lb = abs(kept_lb - stated.get((lot.lot_id, day), _ZERO))
            off_lb = max(stock.lacking_lb[key], off_lb)
            most_lb = _SOLVER_LB + NEAR * kept_lb
            yield _checked(
                day, DayConstraintClass.BALANCE, off_lb, maximum=most_lb, lot_id=lot.lot_id
            )
            past_lb = stock.past_day_lb[key]
            yield _checked(
                day, DayConstraintClass.USE_BY, past_lb, maximum=most_lb, lot_id=lot.lot_id
            )
            if horizon.cooler_of(lot) is None:
                capacity = DayConstraintClass.CAPACITY
                note = "no cooler holds it"
                yield _checked(
                    day, capacity, kept_lb, maximum=_SOLVER_LB, note=note, lot_id=lot.lot_id
                )


def _trades(horizon: Horizon, plan: DaysPlan) -> Iterator[DayCheck]:
    """No offer or bid gives more than it states; minimum purchases and containers are kept."""
    offers = {receipt.offer_id: receipt for receipt in horizon.receipts if receipt.offer_id}
    keeps_whole = horizon.case.settings.whole_containers is not WholeContainers.NO
    for purchase in plan.purchases:
        offer, lot = offers[purchase.offer_id], horizon.lot(purchase.lot_id)
        day = horizon.days[offer.place]
        bought_lb = exact(purchase.pounds_lb)
        maximum = None if offer.max_lb == float("inf") else exact(offer.max_lb)
        note = f"offer {purchase.offer_id}"
        supply = ConstraintClass.SUPPLY
        yield _checked(
            day, supply, bought_lb, minimum=0, maximum=maximum, note=note, lot_id=lot.lot_id
        )
        yield from _agreed_and_loads(offer, day, purchase.offer_id, bought_lb)
        if bought_lb:
            least_lb = exact(offer.max_lb if lot.must_take_all else lot.min_purchase_lb)
            yield _checked(
                day, ConstraintClass.MIN_PURCHASE, bought_lb, minimum=least_lb, lot_id=lot.lot_id
            )
        if keeps_whole and lot.container_lb:
            count = bought_lb / exact(lot.container_lb)
            whole = Fraction(round(count))
            yield _checked(
                day,
                ConstraintClass.WHOLE_CONTAINERS,
                count,
                minimum=whole,
                maximum=whole,
                unit="containers",
                lot_id=lot.lot_id,
            )
    sold: dict[str, Fraction] = defaultdict(Fraction)
    for sale in plan.sales:
        sold[sale.price_id] += exact(sale.pounds_lb)
    for bid in horizon.bids():
        yield _checked(
            bid.day,
            ConstraintClass.SUPPLY,
            sold[bid.price_id],
            minimum=0,
            maximum=None if bid.quantity_lb is None else exact(bid.quantity_lb),
            note=f"bid {bid.price_id}",
            lot_id=bid.lot_id,
        )
        yield from _agreed_and_loads(bid, bid.day, bid.price_id, sold[bid.price_id])


def _agreed_and_loads(
    taken: Receipt | ForwardPrice, day: date, price_id: str, lb: Fraction
) -> Iterator[DayCheck]:
    """All of what is agreed, and otherwise whole loads."""
    if taken.is_agreed:
        minimum = exact(taken.max_lb) - _SOLVER_LB
        yield _checked(day, DayConstraintClass.AGREED, lb, minimum=minimum,
                       lot_id=taken.lot_id, price_id=price_id)  # fmt: skip
    elif taken.load_lb is not None:
        count = lb / exact(taken.load_lb)
        whole = Fraction(round(count))
        yield _checked(day, DayConstraintClass.WHOLE_LOADS, count, minimum=whole, maximum=whole,
                       unit="loads", lot_id=taken.lot_id, price_id=price_id)  # fmt: skip


# Coolers and rules --------------------------------------------------------------------------


def _rooms(horizon: Horizon, plan: DaysPlan, stock: _Stock) -> Iterator[DayCheck]:
    for cooler in horizon.coolers:
        lots = [lot.lot_id for lot in horizon.lots if horizon.cooler_of(lot) == cooler]
        for place, day in enumerate(horizon.days):
            held_lb = total(stock.kept_lb[lot_id, place] for lot_id in lots)
            if cooler.capacity_lb is not None:
                most_lb = exact(cooler.capacity_lb)
                yield _checked(
                    day,
                    DayConstraintClass.CAPACITY,
                    held_lb,
                    maximum=most_lb,
                    cooler_id=cooler.cooler_id,
                )
            if cooler.ending_inventory_lb and place + 1 == len(horizon.days):
                least_lb = exact(cooler.ending_inventory_lb)
                yield _checked(
                    day,
                    DayConstraintClass.ENDING_INVENTORY,
                    held_lb,
                    minimum=least_lb,
                    cooler_id=cooler.cooler_id,
                )
            if cooler.freezing is not None and cooler.freezing.max_lb is not None:
                yield _checked(
                    day,
                    DayConstraintClass.FREEZER,
                    total(
                        exact(row.fresh_lb)
                        for row in plan.freezes
                        if row.day == day and horizon.freezer_of(horizon.lot(row.lot_id)) == cooler
                    ),
                    minimum=0,
                    maximum=exact(cooler.freezing.max_lb),
                    cooler_id=cooler.cooler_id,
                )


def _day_rules(horizon: Horizon, plan: DaysPlan) -> Iterator[DayCheck]:
    for rule in horizon.day_rules:
        for day in horizon.days:
            used: dict[Lot, Fraction] = defaultdict(Fraction)
            for blend in plan.blends:
                for part in blend.ingredients if blend.day == day else ():
                    used[horizon.lot(part.lot_id)] += exact(part.pounds_lb)
            yield _day_rule(rule, day, used)


def _day_rule(rule: DayRule, day: date, used: Mapping[Lot, Fraction]) -> DayCheck:
    chosen = [lb for lot, lb in used.items() if rule.lots.holds(lot) and lb > 0]
    constraint_class = _DAY_RULES[rule.kind]
    if rule.kind is DayRuleKind.MAX_USED:
        maximum = exact(rule.max_lb or 0.0)
        return _checked(
            day, constraint_class, sum(chosen, _ZERO), maximum=maximum, rule_id=rule.rule_id
        )
    if not chosen:
        return _checked(day, constraint_class, _ZERO, note="none used", rule_id=rule.rule_id)
    value = min(chosen)
    if rule.kind is DayRuleKind.NEEDS and rule.against is not None:
        value = sum((lb for lot, lb in used.items() if rule.against.holds(lot)), _ZERO)
    return _checked(
        day, constraint_class, value, minimum=exact(rule.min_lb or 0.0), rule_id=rule.rule_id
    )


_DAY_RULES = {
    DayRuleKind.MAX_USED: DayConstraintClass.MAX_USED,
    DayRuleKind.MIN_IF_USED: DayConstraintClass.MIN_IF_USED,
    DayRuleKind.NEEDS: DayConstraintClass.NEEDS,
}


def _must_use(horizon: Horizon, plan: DaysPlan) -> Iterator[DayCheck]:
    products = {product.product_id: product for product in horizon.case.products}
    for rule in horizon.must_use_rules():
        used_lb = sum(
            (
                exact(part.pounds_lb)
                for blend in plan.blends
                if rule.governs(products[blend.product_id])
                for part in blend.ingredients
                if horizon.means(rule, horizon.lot(part.lot_id))
            ),
            _ZERO,
        )
        yield _checked(
            horizon.days[-1],
            ConstraintClass.MUST_USE,
            used_lb,
            minimum=horizon.must_use_lb(rule),
            note=rule.note,
            rule_id=rule.rule_id,
        )
