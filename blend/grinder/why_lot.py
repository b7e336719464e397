"""Why a lot is used or not: what a pound of it is worth in each product, part by part.

A pound of a lot in a product is worth the sum, over the model's rows, of its coefficient in the
row times the row's dual. With the dual of the weight balance as the price of a finished pound,

    worth = yield · finished price + Σ (coefficient − limit · yield) · dual,

so that each requirement shows what the lot's being on its good or bad side is worth (reduced
costs: Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, ch. 4, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isinf

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.infeasible import solved_linear
from blend.model.shadow_prices import break_even_price, pounds_used, set_price
from blend.model.solver import Answer, Outcome, WarmLinear

_BESIDE = 1e-6
"""How far below its break-even price, relatively, an unused lot is priced to see what it moves."""
_MIN_LB = 0.5
"""Smaller moves of other lots are left out."""
_DUST_USD = 1e-9
_OF_ORDER = {ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX}


@dataclass(frozen=True, slots=True)
class Barred:
    """Why a lot may not go into a product; all empty where it may."""

    wrong_species: bool
    lacks_label_claims: tuple[str, ...]
    rules: tuple[Requirement, ...]

    def __bool__(self) -> bool:
        return bool(self.wrong_species or self.lacks_label_claims or self.rules)


@dataclass(frozen=True, slots=True)
class RequirementPart:
    """What one requirement adds to a pound of the lot; negative where the lot uses the limit up."""

    requirement: Requirement
    usd_per_lb: float


@dataclass(frozen=True, slots=True)
class Worth:
    """What one more pound of the lot is worth in one product, at the plan's shadow prices."""

    used_lb: float
    finished_usd_per_lb: float
    """Of a finished pound right at every limit, whatever lots it is made of."""
    losses_usd_per_lb: float
    """Thaw, purge and grind losses of the lot, negative."""
    requirements: tuple[RequirementPart, ...]
    reduced_cost_usd_per_lb: float
    """Of buying a pound and putting it into the product, as the solver reports it."""

    @property
    def usd_per_lb(self) -> float:
        parts = (part.usd_per_lb for part in self.requirements)
        return self.finished_usd_per_lb + self.losses_usd_per_lb + sum(parts)


@dataclass(frozen=True, slots=True)
class InProduct:
    """One product; `value` is None where the lot is barred or not available."""

    product_id: str
    barred: Barred
    value: Worth | None


@dataclass(frozen=True, slots=True)
class Rival:
    """Another lot: its pounds in today's plan, and with the lot in question moved in or out."""

    lot_id: str
    now_lb: float
    then_lb: float


@dataclass(frozen=True)
class WhyLot:
    """Why a lot is used or not, in the LP relaxation: as if combos and batches could be split.

    `break_even_usd_per_lb` is the highest delivered price at which the plan buys some of it:
    infinite where no plan fills the orders without it, None where it is not bought at any price
    above zero. `rivals` are the lots whose pounds move most when an unused lot is priced just
    under break-even, or a used one is taken away.
    """

    lot_id: str
    delivered_usd_per_lb: float
    reason_unusable: str | None
    used_lb: float
    products: tuple[InProduct, ...]
    break_even_usd_per_lb: float | None
    next_lb_usd: float
    """What one more pound saves, of a lot that is used up."""
    rivals: tuple[Rival, ...]

    @property
    def is_used(self) -> bool:
        return self.used_lb > _MIN_LB

    @property
    def worth_in(self) -> dict[str, Worth]:
        """By product_id, of the products it may go into."""
        return {each.product_id: each.value for each in self.products if each.value is not None}

    @property
    def best(self) -> str | None:
        """The product that pays most for the next pound; None where it may go into none."""
        worth = self.worth_in
        return max(worth, key=lambda product_id: worth[product_id].usd_per_lb, default=None)


def why_lot_of(case: Case, lot_id: str) -> WhyLot:
    """The answer for one lot; raises as `why_lots` does."""
    return why_lots(case, [lot_id])[0]


def why_lots(case: Case, lot_ids: Iterable[str]) -> list[WhyLot]:
    """Solve the LP relaxation and explain the lots.

    Raises KeyError for an unknown lot, NoPlan with the infeasible subset, InputRefused where the
    cost is unbounded.
    """
    day, asked = case.settings.plan_on, [case.lot(lot_id) for lot_id in lot_ids]
    if all(lot.reason_unusable(day) for lot in asked):
        return [set_aside(case, lot.lot_id) for lot in asked]
    linear, answer = solved_linear(case)
    return [
        set_aside(case, lot.lot_id)
        if lot.reason_unusable(day)
        else why_lot(case, lot.lot_id, linear, answer)
        for lot in asked
    ]


def set_aside(case: Case, lot_id: str) -> WhyLot:
    """The answer for a lot that is not available on the day."""
    lot = case.lot(lot_id)
    return WhyLot(
        lot_id=lot_id,
        delivered_usd_per_lb=lot.delivered_usd_per_lb,
        reason_unusable=lot.reason_unusable(case.settings.plan_on),
        used_lb=0.0,
        products=tuple(
            InProduct(product.product_id, _barred(case, lot, product), None)
            for product in case.products
        ),
        break_even_usd_per_lb=None,
        next_lb_usd=0.0,
        rivals=(),
    )


def why_lot(case: Case, lot_id: str, linear: WarmLinear, answer: Answer) -> WhyLot:
    """The answer for an available lot, from the optimum of `linear`, which is left as it was."""
    model = linear.model
    index = model.sets.lot_index[lot_id]
    lot = model.sets.lots[index]
    value_in = _shadow_prices(linear, answer, index)
    products = []
    for product in model.sets.products:
        value = value_in.get(product.product_id)
        products.append(InProduct(product.product_id, _barred(case, lot, product), value))
    critical = break_even_price(linear, answer, index)
    rivals = _rivals(linear, answer, index, critical)
    linear.solve()
    return WhyLot(
        lot_id=lot_id,
        delivered_usd_per_lb=lot.delivered_usd_per_lb,
        reason_unusable=None,
        used_lb=max(0.0, pounds_used(linear, answer, index)),
        products=tuple(products),
        break_even_usd_per_lb=critical,
        next_lb_usd=max(0.0, -float(answer.column_dual[model.take.start + index])),
        rivals=rivals,
    )


def _barred(case: Case, lot: Lot, product: Product) -> Barred:
    return Barred(
        wrong_species=lot.species not in product.species,
        lacks_label_claims=tuple(sorted(product.label_claims - lot.label_claims)),
        rules=tuple(
            Requirement(ConstraintClass.MUST_NOT_USE, product.product_id, rule_id=rule.rule_id)
            for rule in case.binding_rules()
            if rule.kind is RuleKind.MUST_NOT_USE and rule.governs(product) and rule.lots.holds(lot)
        ),
    )


def _shadow_prices(linear: WarmLinear, answer: Answer, lot: int) -> dict[str, Worth]:
    """By product the lot may go into, what a pound of it is worth there."""
    model, sets = linear.model, linear.model.sets
    shadow_prices = {}
    for pair in np.flatnonzero(sets.pair_lot == lot).tolist():
        blend = int(sets.pair_blend[pair])
        use = model.use.start + pair
        brings = _entries(model.matrix, use)
        # a finished pound uses up its share of every limit; the lot is compared with that
        asks = _entries(model.matrix, model.names["finished"].start + blend)
        kept = float(sets.kept_mass[pair])
        dual = {row: float(answer.row_dual[row]) for row in brings.keys() | asks.keys()}
        of_row = {row: model.requirements[row] for row in dual}
        mass = next(
            row for row, asked in of_row.items() if asked.constraint_class is ConstraintClass.MASS
        )
        limits = [
            row
            for row, asked in of_row.items()
            if asked.constraint_class
            not in _OF_ORDER | {ConstraintClass.MASS, ConstraintClass.SUPPLY}
        ]
        finished = dual[mass] - sum(asks.get(row, 0.0) * dual[row] for row in limits)
        parts = [
            RequirementPart(
                of_row[row], (brings.get(row, 0.0) + kept * asks.get(row, 0.0)) * dual[row]
            )
            for row in limits
        ]
        product = sets.products[int(sets.blends.product[blend])]
        shadow_prices[product.product_id] = Worth(
            used_lb=max(0.0, float(answer.x[use])),
            finished_usd_per_lb=finished,
            losses_usd_per_lb=-(1 - kept) * finished,
            requirements=tuple(
                sorted(
                    (part for part in parts if abs(part.usd_per_lb) > _DUST_USD),
                    key=lambda part: part.requirement,
                )
            ),
            reduced_cost_usd_per_lb=float(
                answer.column_dual[use] + answer.column_dual[model.take.start + lot]
            ),
        )
    return shadow_prices


def _entries(matrix, column: int) -> dict[int, float]:
    inside = slice(int(matrix.start[column]), int(matrix.start[column + 1]))
    return dict(zip(matrix.row[inside].tolist(), matrix.value[inside].tolist(), strict=True))


def _rivals(
    linear: WarmLinear, answer: Answer, lot: int, critical: float | None
) -> tuple[Rival, ...]:
    """The lots whose pounds move when an unused lot is priced just under break-even, or a used one
    is taken away."""
    if critical is None or isinf(critical):
        return ()
    now = _used_by_lot(linear, answer)
    if now[lot] > _MIN_LB:
        take = linear.model.take.start + lot
        bounds = float(linear.lower[take]), float(linear.upper[take])
        linear.set_column_bounds(take, 0.0, 0.0)
        then = linear.solve()
        linear.set_column_bounds(take, *bounds)
    else:
        here = linear.model.sets.lots[lot].delivered_usd_per_lb
        set_price(linear, lot, max(0.0, critical * (1 - _BESIDE)))
        then = linear.solve()
        set_price(linear, lot, here)
    if then.outcome is not Outcome.OPTIMAL:
        return ()
    return _moved(linear, now, _used_by_lot(linear, then), lot)


def _moved(
    linear: WarmLinear, now: Sequence[float], then: Sequence[float], lot: int
) -> tuple[Rival, ...]:
    lots = linear.model.sets.lots
    moved = [
        Rival(lots[index].lot_id, before, after)
        for index, (before, after) in enumerate(zip(now, then, strict=True))
        if index != lot and abs(after - before) > _MIN_LB
    ]
    return tuple(sorted(moved, key=lambda each: -abs(each.then_lb - each.now_lb)))


def _used_by_lot(linear: WarmLinear, answer: Answer) -> list[float]:
    model, sets = linear.model, linear.model.sets
    used = np.maximum(answer.x[model.use], 0.0)
    return np.bincount(sets.pair_lot, used, len(sets.lots)).tolist()
