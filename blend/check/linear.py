"""A plan of the linear program on the scales: how far it breaks a limit, and what it costs.

Tables are read as the decimals they tell (`blend.check.exact`); pounds of the plan are taken as
the binary fractions that they are, every bit of them.

A plan that a solver in floats found lies outside its limits by as much as the solver leaves open:
1e-7 of a row, in its own scaling. `NEAR_LB` allows a hundred-thousandth of a pound (5 mg), and
`NEAR_SHARE` a billionth of the product's pounds for what sums in floats lose. A plan that far
off is worth, at any price of meat, less than a thousandth of a dollar.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from blend.check.exact import delivered_usd_per_lb, exact, lean_limits, must_use_lb
from blend.check.frame import Frame, excess_heat
from blend.domain.case import Case
from blend.domain.certificates import PlanPounds
from blend.domain.products import Product
from blend.domain.rules import RuleKind

NEAR_LB = Fraction(1, 100_000)
NEAR_SHARE = Fraction(1, 10**9)
_ZERO = Fraction(0)


@dataclass(frozen=True, slots=True)
class Scales:
    """What the scales say of one plan."""

    beyond_lb: Fraction
    """How far it breaks its worst requirement beyond what is allowed; zero or below: none."""
    worst: str
    """Which, in a few words; of a lot or a product."""
    cost_usd: Fraction
    used_lb: Mapping[str, Fraction]
    """By lot."""

    @property
    def keeps_all(self) -> bool:
        return self.beyond_lb <= 0


def put_on_scales(frame: Frame, case: Case, plan: PlanPounds) -> Scales:
    """Hold every requirement of the linear program against the plan, and count its cost.

    Pounds are added up as whole numbers of the smallest binary part that any of them has.
    """
    stated = (*plan.use_lb.values(), *plan.take_lb.values(), *plan.short_lb.values())
    part = max((pounds.as_integer_ratio()[1] for pounds in map(float, stated)), default=1)
    held: dict[str, dict[int, int]] = {product.product_id: {} for product in case.products}
    used = [0] * len(frame.lots)
    strayed = []
    for (lot_id, product_id), lb in plan.use_lb.items():
        place = frame.place.get(lot_id)
        pounds = _parts(lb, part)
        if place is not None:
            used[place] += pounds
        if place is None or product_id not in held or not _may_hold(frame, product_id, place):
            strayed.append((Fraction(abs(pounds), part), f"lot {lot_id} in {product_id}"))
        else:
            held[product_id][place] = pounds
            if pounds < 0:
                strayed.append((Fraction(-pounds, part), f"lot {lot_id} in {product_id}"))
    misses = [(-NEAR_LB, ""), *strayed]
    cost = _ZERO
    for lot_id in plan.take_lb.keys() - frame.place.keys():
        misses.append((abs(Fraction(plan.take_lb[lot_id])), f"lot {lot_id}"))
    for place, lot in enumerate(frame.lots):
        taken = _parts(plan.take_lb.get(lot.lot_id, 0.0), part)
        if not (taken or used[place]):
            continue
        lot, off = case.lot(lot.lot_id), Fraction(max(used[place] - taken, -taken), part)
        taken_lb = Fraction(taken, part)
        if lot.quantity_lb is not None:
            off = max(off, taken_lb - exact(lot.quantity_lb))
        misses.append((off - NEAR_SHARE * abs(taken_lb), f"lot {lot.lot_id}"))
        cost += taken_lb * delivered_usd_per_lb(lot)
        left_over_lb = Fraction(taken - used[place], part)
        cost -= left_over_lb * exact(lot.salvage_value_usd_per_lb)
    for product in case.products:
        short_lb = Fraction(plan.short_lb.get(product.product_id, 0.0))
        volume_lb, offs = _product(frame, product, held[product.product_id], part, short_lb)
        misses.append((max(offs) - NEAR_SHARE * volume_lb, f"product {product.product_id}"))
        cost -= volume_lb * exact(product.sale_usd_per_lb)
        cost += short_lb * exact(product.shortage_penalty_usd_per_lb or 0.0)
    misses += _must_use(frame, case, held, part)
    off, worst = max(misses)
    used_lb = {lot.lot_id: Fraction(lb, part) for lot, lb in zip(frame.lots, used, strict=True)}
    return Scales(off - NEAR_LB, worst, cost, used_lb)


def _parts(pounds_lb: float, part: int) -> int:
    numerator, denominator = float(pounds_lb).as_integer_ratio()
    return numerator * (part // denominator)


def _may_hold(frame: Frame, product_id: str, place: int) -> bool:
    return place in frame.products[product_id].pairs


def _product(
    frame: Frame, product: Product, held: Mapping[int, int], part: int, short_lb: Fraction
) -> tuple[Fraction, list[Fraction]]:
    """Finished pounds, and pounds by which each limit of the product is broken."""
    framed, unit = frame.products[product.product_id], part * frame.unit
    pairs = framed.pairs
    lean_lb = Fraction(sum(lb * pairs[place].lean for place, lb in held.items()), unit)
    fat_lb = Fraction(sum(lb * pairs[place].fat for place, lb in held.items()), unit)
    volume_lb = lean_lb + fat_lb
    order_lb = exact(product.min_lb)
    may_lack_lb = order_lb if product.shortage_penalty_usd_per_lb is not None else _ZERO
    offs = [-short_lb, short_lb - may_lack_lb, order_lb - volume_lb - short_lb]
    if product.max_lb is not None:
        offs.append(volume_lb - exact(product.max_lb))
    minimum, maximum = lean_limits(product)
    offs += [minimum * volume_lb - lean_lb, lean_lb - maximum * volume_lb]
    for rule in framed.rules:
        if rule.kind is RuleKind.MAX_TEMP:
            excess = excess_heat(rule)
            heat = (lb * excess[frame.lots[place].lot_id] for place, lb in held.items())
            offs.append(sum(heat, _ZERO) / part)
        if rule.kind not in (RuleKind.SHARE, RuleKind.FAT):
            continue
        read_lb = fat_lb
        if rule.kind is RuleKind.SHARE:
            chosen = held.keys() & framed.chosen[rule]
            masses = (held[place] * (pairs[place].lean + pairs[place].fat) for place in chosen)
            read_lb = Fraction(sum(masses), unit)
        if rule.min_share is not None:
            offs.append(exact(rule.min_share) * volume_lb - read_lb)
        if rule.max_share is not None:
            offs.append(read_lb - exact(rule.max_share) * volume_lb)
    return volume_lb, offs


def _must_use(
    frame: Frame, case: Case, held: Mapping[str, Mapping[int, int]], part: int
) -> Iterator[tuple[Fraction, str]]:
    for rule, lots in frame.must_use.items():
        asked_lb = must_use_lb(rule, case)
        used = sum(
            held[product.product_id][place]
            for product in case.products
            if rule.governs(product)
            for place in held[product.product_id].keys() & lots
        )
        name = f"rule {rule.rule_id}"
        if asked_lb is None:
            yield Fraction(1), f"{name} asks for all of a lot without a stated quantity"
        else:
            yield asked_lb - Fraction(used, part) - NEAR_SHARE * asked_lb, name
