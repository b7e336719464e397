"""Why a cost or a price moved, held against the two cases in exact fractions.

Of every set of drivers there is a case between the two (`blend.check.mixture` holds it against
both). Its cost is bounded on both sides: by a plan that keeps every requirement, put on the
scales, and by dual prices. What the next pound of the item is worth is read off the dual prices
of the same case with one pound more; they are its prices if they prove the cost of that case too.
Of the last pound, with one pound less. Then every part is reckoned again from the definition
(`blend.check.split`). Of markets, each clearing is proved (`blend.check.clearing`).

Two figures of one cost may differ by what adding up in floats loses, a ten-billionth of it, and a
hundred-thousandth of a dollar. A worth is off by no more than its prices fail to prove the cost
of that pound.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from blend.check.bound import dual_bound_and_rents
from blend.check.clearing import prove_clearing
from blend.check.exact import delivered_usd_per_lb, exact, with_weights
from blend.check.frame import Frames
from blend.check.linear import put_on_scales
from blend.check.mixture import mixture_faults
from blend.check.split import split_faults
from blend.domain.case import Case
from blend.domain.certificates import (
    NEXT_POUND,
    Between,
    Certificate,
    ClearedBetween,
    PlanPounds,
    Shares,
)
from blend.domain.lots import Lot
from blend.domain.rules import RuleKind
from blend.domain.selectors import Selector

NEAR_COST_SHARE = Fraction(1, 10**10)
_MIN_USD = Fraction(1, 100_000)
_NEAR_USD_PER_LB = Fraction(1, 10**7)
_MIN_LB = Fraction(1, 10**6)


@dataclass(frozen=True, slots=True)
class AttributionProof:
    """What exact arithmetic says of an attribution."""

    cases: int
    """Different cases, or markets, between the two."""
    gap_usd: float
    """The most by which a plan, the value told and what no plan undercuts differ; of markets by
    which amounts could gain more."""
    faults: tuple[str, ...]

    @property
    def is_sound(self) -> bool:
        return not self.faults


@dataclass(frozen=True, slots=True)
class RecipeTerms:
    """The change of cost inside the recipes as it is told, USD, and the bounds on prices."""

    prices_usd: float
    recipe_usd: float
    volume_usd: float
    left_over_usd: float
    shortage_penalty_usd: float
    sales_usd: float
    by_lot: Mapping[str, tuple[float, float]]
    """By lot: by price and by recipe."""
    price_bounds_usd: tuple[float, float, float]
    """Least, change and most of what prices alone make."""


def prove_plan_why(
    before: Case,
    after: Case,
    item: Selector,
    drivers: Sequence[str],
    reference: Lot,
    between: Mapping[frozenset[str], Between],
    told: Mapping[str, Shares],
    recipe: RecipeTerms,
) -> AttributionProof:
    """Hold an attribution against its two cases.

    `told` holds the splits of "cost", "next" and "last", by these names; `recipe` the split of the
    cost inside the recipes. Two sets of drivers whose cases are equal may share one entry.
    """
    proof = _Proof()
    lots = (*after.lots, *before.lots)
    if not item.holds(reference) or _dateless(reference) not in map(_dateless, lots):
        proof.faults.append(f"lot {reference.lot_id} is not of the item")
    for moved, each in between.items():
        name = _named(moved)
        for fault in mixture_faults(before, after, item, drivers, moved, each.case):
            proof.faults.append(f"{name}: {fault}")
        proof.hold(name, each, reference)
    values = {
        "cost": {moved: each.cost_usd for moved, each in between.items()},
        "next": {moved: each.next_usd_per_lb for moved, each in between.items()},
        "last": {moved: each.last_usd_per_lb for moved, each in between.items()},
    }
    for name, of_sets in values.items():
        proof.faults += split_faults(name, of_sets, drivers, told[name])
    if not proof.faults:
        every = frozenset(drivers)
        proof.faults += proof.recipe_faults(between[frozenset()], between[every], recipe)
        repriced = between[frozenset({"own price", "other prices"})]
        proof.faults += proof.price_faults(between[frozenset()], repriced, recipe)
    return proof.done()


def prove_market_why(
    between: Mapping[frozenset[str], ClearedBetween],
    drivers: Sequence[str],
    weights: Mapping[str, float],
    told: Mapping[str, Shares],
) -> AttributionProof:
    """Hold an attribution of an item's clearing price against the markets between two markets.

    `weights` are those of the item's lots in its price. The fit to the base date's quotations
    is taken as it stands.
    """
    faults: list[str] = []
    proofs = {}
    values: dict[str, dict[frozenset[str], float]] = {"next": {}, "last": {}}
    for moved, each in between.items():
        if id(each) not in proofs:
            proofs[id(each)] = prove_clearing(
                each.case, each.curves, each.adjustment_usd_per_lb, each.clearing
            )
            if not proofs[id(each)].is_sound:
                faults.append(f"{_named(moved)}: the prices told do not clear the market")
        items = {lot_id: each.clearing.item(lot_id) for lot_id in weights}
        for name in values:
            values[name][moved] = sum(
                weights[lot_id] * getattr(price, f"{name}_usd_per_lb")
                for lot_id, price in items.items()
            )
    for name, of_sets in values.items():
        faults += split_faults(name, of_sets, drivers, told[name])
    gap = max((proof.gap_usd for proof in proofs.values()), default=0.0)
    return AttributionProof(len(proofs), gap, tuple(faults))


class _Proof:
    """The cases between, each held once."""

    def __init__(self) -> None:
        self.frames = Frames()
        self.faults: list[str] = []
        self.gap_usd = Fraction(0)
        self._held: set[int] = set()

    def done(self) -> AttributionProof:
        return AttributionProof(len(self._held), float(self.gap_usd), tuple(self.faults))

    def hold(self, name: str, each: Between, reference: Lot) -> None:
        if id(each) in self._held:
            return
        self._held.add(id(each))
        cost = Fraction(each.cost_usd)
        found, _ = self._proved(name, each.case, each.optimum)
        self._meet(cost, found, cost, f"{name}: the plan does not cost what is told")
        self._hold_next(name, each, reference)
        if each.last is not None:
            self._hold_last(name, each, reference)
        elif each.last_usd_per_lb != each.next_usd_per_lb:
            self.faults.append(f"{name}: the worth of the last pound is not proved")

    def _hold_next(self, name: str, each: Between, reference: Lot) -> None:
        more = _with_next_pound(each.case, reference)
        _, rents = self._proved(f"{name}, a pound more", more, each.next)
        saves = rents.get(reference.lot_id + NEXT_POUND, Fraction(0))
        if abs(saves - Fraction(each.next_usd_per_lb)) > _NEAR_USD_PER_LB:
            self.faults.append(f"{name}: its prices give the next pound another worth")

    def _hold_last(self, name: str, each: Between, reference: Lot) -> None:
        lot = each.case.lot(reference.lot_id)
        case = with_weights(each.case)
        if lot.quantity_lb is not None:
            case = _with_quantity(case, lot.lot_id, float(exact(lot.quantity_lb) - 1))
        _, rents = self._proved(f"{name}, a pound less", case, each.last)
        value = delivered_usd_per_lb(lot) + rents.get(lot.lot_id, Fraction(0))
        value = max(Fraction(each.next_usd_per_lb), value)
        if abs(value - Fraction(each.last_usd_per_lb)) > _NEAR_USD_PER_LB:
            self.faults.append(f"{name}: its prices give the last pound another worth")

    def _proved(
        self, name: str, case: Case, certificate: Certificate
    ) -> tuple[Fraction, dict[str, Fraction]]:
        """The cost of the certificate's plan, which is the least there is or a fault is told; and
        by lot what a pound more saves at its dual prices."""
        frame = self.frames.of(case)
        scales = put_on_scales(frame, case, certificate.pounds)
        if not scales.keeps_all:
            self.faults.append(f"{name}: the plan breaks a limit: {scales.worst}")
        bound, rents = dual_bound_and_rents(frame, case, certificate.prices)
        text = f"{name}: that no plan costs less is not proved"
        self._meet(scales.cost_usd, bound, scales.cost_usd, text)
        return scales.cost_usd, rents

    def _meet(self, one: Fraction, other: Fraction, cost: Fraction, text: str) -> None:
        self.gap_usd = max(self.gap_usd, abs(one - other))
        if abs(one - other) > near_usd(cost):
            self.faults.append(text)

    def recipe_faults(self, before: Between, after: Between, told: RecipeTerms) -> Iterator[str]:
        """Bennet's split of the cost, reckoned again from the plans at both ends."""
        ends = [self._bill(each) for each in (before, after)]
        near = near_usd(Fraction(before.cost_usd)) + near_usd(Fraction(after.cost_usd))
        names = ("left_over_usd", "shortage_penalty_usd", "sales_usd")
        for name, sign in zip(names, (-1, 1, -1), strict=True):
            change = sign * (ends[1][name] - ends[0][name])
            if abs(change - Fraction(getattr(told, name))) > near:
                yield f"inside the recipes: {name} is not that of the two plans"
        volumes = [bill["finished_lb"] for bill in ends]
        by_lot, unit = {}, [Fraction(0), Fraction(0)]
        if min(volumes) > _MIN_LB:
            by_lot = _bennet(ends, volumes)
            unit = [bill["meat_usd"] / lb for bill, lb in zip(ends, volumes, strict=True)]
            volume_usd = sum(unit) / 2 * (volumes[1] - volumes[0])
        else:
            volume_usd = ends[1]["meat_usd"] - ends[0]["meat_usd"]
        for lot_id, (by_price, by_recipe) in by_lot.items():
            stated = map(Fraction, told.by_lot.get(lot_id, (0.0, 0.0)))
            off = [abs(a - b) for a, b in zip((by_price, by_recipe), stated, strict=True)]
            if max(off) > near:
                yield f"inside the recipes: the part of lot {lot_id} is not that of the two plans"
        terms = (
            ("prices_usd", sum((part[0] for part in by_lot.values()), Fraction(0))),
            ("recipe_usd", sum((part[1] for part in by_lot.values()), Fraction(0))),
            ("volume_usd", volume_usd),
        )
        for name, usd in terms:
            if abs(usd - Fraction(getattr(told, name))) > near:
                yield f"inside the recipes: {name} is not that of the two plans"
        stated = sum((Fraction(getattr(told, name)) for name, _ in terms), Fraction(0))
        stated += sum((Fraction(getattr(told, name)) for name in names), Fraction(0))
        if abs(stated - Fraction(after.cost_usd) + Fraction(before.cost_usd)) > near:
            yield "inside the recipes: the terms do not add up to the move of the cost"

    def price_faults(self, before: Between, repriced: Between, told: RecipeTerms) -> Iterator[str]:
        """Prices alone move the cost by no more than they make the old plan dearer, and by no
        less than the new one."""
        plans = repriced.optimum.pounds, before.optimum.pounds
        minimum, maximum = (
            self._cost(repriced.case, plan) - self._cost(before.case, plan) for plan in plans
        )
        change = Fraction(repriced.cost_usd) - Fraction(before.cost_usd)
        near = 2 * near_usd(Fraction(before.cost_usd))
        for stated, usd in zip(told.price_bounds_usd, (minimum, change, maximum), strict=True):
            if abs(Fraction(stated) - usd) > near:
                yield "prices alone: a figure is not that of the plans"
        if not minimum - near <= change <= maximum + near:
            yield "prices alone: the move lies outside its bounds"

    def _cost(self, case: Case, plan: PlanPounds) -> Fraction:
        return put_on_scales(self.frames.of(case), case, plan).cost_usd

    def _bill(self, each: Between) -> dict:
        case, plan, frame = each.case, each.optimum.pounds, self.frames.of(each.case)
        used = put_on_scales(frame, case, plan).used_lb
        bought, left_over = {}, Fraction(0)
        for lot in frame.lots:
            lot = case.lot(lot.lot_id)
            taken = Fraction(plan.take_lb.get(lot.lot_id, 0.0))
            bought[lot.lot_id] = delivered_usd_per_lb(lot), taken
            left_over += exact(lot.salvage_value_usd_per_lb) * (taken - used[lot.lot_id])
        sales = finished = shortage = Fraction(0)
        for product in case.products:
            pairs = frame.products[product.product_id].pairs
            made = sum(
                (
                    Fraction(lb) * (pair.lean + pair.fat)
                    for (lot_id, product_id), lb in plan.use_lb.items()
                    if product_id == product.product_id
                    and (pair := pairs.get(frame.place[lot_id])) is not None
                ),
                Fraction(0),
            )
            made /= frame.unit
            finished += made
            sales += made * exact(product.sale_usd_per_lb)
            short = Fraction(plan.short_lb.get(product.product_id, 0.0))
            shortage += short * exact(product.shortage_penalty_usd_per_lb or 0.0)
        return {
            "bought": bought,
            "meat_usd": sum((usd * lb for usd, lb in bought.values()), Fraction(0)),
            "finished_lb": finished,
            "left_over_usd": left_over,
            "shortage_penalty_usd": shortage,
            "sales_usd": sales,
        }


def near_usd(cost: Fraction) -> Fraction:
    """How far two figures of one cost may lie apart."""
    return _MIN_USD + NEAR_COST_SHARE * abs(cost)


def _bennet(ends: list[dict], volumes: list[Fraction]) -> dict[str, tuple[Fraction, Fraction]]:
    """By lot: the change by its price at its mean share of the volume, and by its share at its
    mean price, for the mean volume (Bennet 1920)."""
    parts = {}
    mean_lb = sum(volumes) / 2
    for lot_id in ends[0]["bought"].keys() | ends[1]["bought"].keys():
        sides = [bill["bought"].get(lot_id) for bill in ends]
        (p0, x0), (p1, x1) = (
            own if own is not None else (other[0], Fraction(0))
            for own, other in zip(sides, reversed(sides), strict=True)
        )
        q0, q1 = x0 / volumes[0], x1 / volumes[1]
        parts[lot_id] = (
            mean_lb * (q0 + q1) / 2 * (p1 - p0),
            mean_lb * (p0 + p1) / 2 * (q1 - q0),
        )
    return parts


def _with_next_pound(case: Case, reference: Lot) -> Case:
    """The case with a pound of the reference lot's meat, at no price and worth nothing unused."""
    case = with_weights(case)
    pound = replace(
        reference,
        lot_id=reference.lot_id + NEXT_POUND,
        quantity_lb=1.0,
        price_usd_per_lb=0.0,
        freight_usd_per_lb=0.0,
        salvage_value_usd_per_lb=0.0,
        min_purchase_lb=0.0,
    )
    rules = tuple(
        replace(
            rule,
            excess_heat_btu_per_lb=(
                *rule.excess_heat_btu_per_lb,
                (pound.lot_id, dict(rule.excess_heat_btu_per_lb)[reference.lot_id]),
            ),
        )
        if rule.kind is RuleKind.MAX_TEMP
        else rule
        for rule in case.rules
    )
    return replace(case, lots=(*case.lots, pound), rules=rules)


def _with_quantity(case: Case, lot_id: str, quantity_lb: float) -> Case:
    lots = tuple(
        replace(lot, quantity_lb=quantity_lb) if lot.lot_id == lot_id else lot for lot in case.lots
    )
    return replace(case, lots=lots)


def _dateless(lot: Lot) -> Lot:
    """A lot without its days, which a case of another day is shown without."""
    return replace(lot, available_on=None, use_by=None)


def _named(moved: frozenset[str]) -> str:
    return f"with {', '.join(sorted(map(str, moved))) or 'nothing'} as after"
