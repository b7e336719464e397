"""The plan's linear program, stated from the tables and apart from `blend.model`.

Whole containers, counts, batches and least purchases are left out, which only lowers the cost. A
column is pounds of a lot put into a product, pounds of a lot bought and left over, or finished
pounds short of an order. What a lot costs counts where it goes; a lot is one group.

Which lots a product may hold, and what it keeps of them, is found once for all cases that differ
in prices, quantities, orders and penalties alone: curves and mixtures of two days are made of such.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from functools import cache, cached_property

import numpy as np

from blend.check.certify import (
    Dual,
    Key,
    Limit,
    LinearProgram,
    Measure,
    Primal,
    certify,
    dual,
    primal,
    rounded_down,
    whole_numbers,
)
from blend.domain.case import Case
from blend.domain.certificates import Certificate, PlanPounds
from blend.domain.exact import (
    delivered_usd_per_lb,
    exact,
    kept_of_lb,
    lean_limits,
    must_use_lb,
    reason_barred,
)
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.lots import Lot
from blend.domain.prices import DualPrices
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector

_ZERO, _ONE = Fraction(0), Fraction(1)


def dual_bound_usd(case: Case, prices: DualPrices) -> float:
    """A cost in USD that no plan of the case goes below, whatever the prices.

    Counted in exact fractions and rounded down to a float at the end.
    """
    return rounded_down(Statement(case).dual(case, prices).bound)


@dataclass(frozen=True, slots=True)
class _Block:
    """One product's columns: `lots` by place, one column each."""

    rules: tuple[Rule, ...]
    lots: np.ndarray
    columns: slice


class Statement:
    """Columns and measures of a case, which prices and quantities do not change."""

    def __init__(self, case: Case) -> None:
        day = case.settings.plan_on
        # a lot that is used up here may have pounds left in another case of the statement
        stocked = [
            replace(lot, quantity_lb=None) if lot.quantity_lb == 0 else lot for lot in case.lots
        ]
        self.lots: tuple[Lot, ...] = tuple(
            lot for lot in stocked if lot.reason_unusable(day) is None
        )
        self.place = {lot.lot_id: place for place, lot in enumerate(self.lots)}
        self.products: dict[str, _Block] = {}
        self.measures: dict[Key, Measure] = {}
        self._means = cache(self._lots_meant)
        self._kept = cache(self._kept_by)
        self._may_hold = cache(self._held_by)
        self._case = case
        self.rules = case.binding_rules()
        for product in case.products:
            self._add_product(product)
        self.uses = sum(len(block.lots) for block in self.products.values())
        for rule in self.rules:
            if rule.kind is RuleKind.MUST_USE:
                self._add_must_use(rule, case)
        first = self.uses + len(self.lots)
        for at, product in enumerate(case.products):
            self.measures["short", product.product_id] = Measure.of([first + at], [_ONE])
        for constraint in case.constraints:
            for term in constraint.terms:
                self._add_pounds(term)

    def _lots_meant(self, selector: Selector) -> np.ndarray:
        return np.array([selector.holds(lot) for lot in self.lots], bool)

    def _kept_by(self, losing: tuple[str, ...]) -> tuple[int, np.ndarray, np.ndarray]:
        """By what products lose: the unit, and finished lean and fat of a pound of every lot."""
        product = next(p for p in self._case.products if self._losing(p) == losing)
        kept = [kept_of_lb(lot, product, self._case.losses) for lot in self.lots]
        unit, whole = whole_numbers([each for both in kept for each in both])
        return unit, whole[::2], whole[1::2]

    def _losing(self, product: Product) -> tuple[str, ...]:
        return tuple(
            loss.loss_id
            for loss in self._case.losses
            if not loss.products or product.product_id in loss.products
        )

    def _held_by(self, species: frozenset[str], label_claims: frozenset[str]) -> np.ndarray:
        """By what products ask of a lot: whether they may hold it."""
        asked = species, label_claims
        alike = (p for p in self._case.products if (p.species, p.label_claims) == asked)
        product, day = next(alike), self._case.settings.plan_on
        return np.array([not reason_barred(lot, product, day) for lot in self.lots], bool)

    def _add_product(self, product: Product) -> None:
        rules = tuple(rule for rule in self.rules if rule.governs(product))
        may_hold = self._may_hold(product.species, product.label_claims)
        for rule in rules:
            if rule.kind is RuleKind.MUST_NOT_USE:
                may_hold = may_hold & ~self._means(rule.lots)
        lots = np.flatnonzero(may_hold)
        begin = max((block.columns.stop for block in self.products.values()), default=0)
        columns, product_id = slice(begin, begin + len(lots)), product.product_id
        self.products[product_id] = _Block(rules, lots, columns)
        unit, lean, fat = self._kept(self._losing(product))
        self.measures["lean", product_id] = Measure(columns, lean[lots], unit)
        self.measures["fat", product_id] = Measure(columns, fat[lots], unit)
        for rule in rules:
            key = rule.kind, (rule.rule_id, product_id)
            if rule.kind is RuleKind.SHARE:
                chosen = np.flatnonzero(self._means(rule.lots)[lots])
                mass = lean[lots[chosen]] + fat[lots[chosen]]
                self.measures[key] = Measure(begin + chosen, mass, unit)
            elif rule.kind is RuleKind.MAX_TEMP:
                excess = dict(rule.excess_heat_btu_per_lb)
                heat = [exact(excess[self.lots[place].lot_id]) for place in lots]
                self.measures[key] = Measure.of(range(begin, columns.stop), heat)

    def _add_must_use(self, rule: Rule, case: Case) -> None:
        meant = self._means(rule.lots)
        columns = [
            block.columns.start + np.flatnonzero(meant[block.lots])
            for block in (self.products[p.product_id] for p in case.products if rule.governs(p))
        ]
        places = np.concatenate(columns) if columns else np.zeros(0, int)
        ones = np.full(len(places), 1, object)
        self.measures[rule.kind, rule.rule_id] = Measure(places, ones, 1)

    def _add_pounds(self, term: Term) -> None:
        """The measure of a term of an added constraint; pounds that no plan has add up to none."""
        if term.pounds is Pounds.USE:
            column = self._columns.get(("use", term.lot_id, term.product_id))
            columns = [] if column is None else [column]
            self.measures["use", term.lot_id, term.product_id] = _sum_of(columns)
        elif term.pounds is Pounds.TAKE:
            place = self.place.get(term.lot_id, -1)
            used = np.flatnonzero(self._lot_of_use == place).tolist()
            left_over = [] if place < 0 else [self.uses + place]
            self.measures["take", term.lot_id] = _sum_of(used + left_over)

    # A case of the statement

    def program(self, case: Case) -> LinearProgram:
        """The linear program of a case, with its own prices, quantities, orders and penalties."""
        lots = [case.lot(lot.lot_id) for lot in self.lots]
        delivered = [delivered_usd_per_lb(lot) for lot in lots]
        left_over = [
            usd - exact(lot.salvage_value_usd_per_lb)
            for usd, lot in zip(delivered, lots, strict=True)
        ]
        short = [exact(product.shortage_penalty_usd_per_lb or 0.0) for product in case.products]
        unit, usd = whole_numbers([*delivered, *left_over, *short])
        values = {}
        for product in case.products:
            if product.sale_usd_per_lb:
                for part in ("lean", "fat"):
                    values[part, product.product_id] = -exact(product.sale_usd_per_lb)
        return LinearProgram(
            cost=np.concatenate((usd[: len(lots)][self._lot_of_use], usd[len(lots) :])),
            cost_unit=unit,
            group_of=self._group_of,
            groups=self._groups,
            group_limits=[
                *(None if lot.quantity_lb is None else exact(lot.quantity_lb) for lot in lots),
                *(
                    _ZERO if p.shortage_penalty_usd_per_lb is None else exact(p.min_lb)
                    for p in case.products
                ),
            ],
            measures=self.measures,
            values=values,
            limits=list(self._limits(case)),
            column_of=self._column_of,
        )

    @cached_property
    def _lot_of_use(self) -> np.ndarray:
        return np.concatenate([np.zeros(0, int), *(b.lots for b in self.products.values())])

    @cached_property
    def _group_of(self) -> np.ndarray:
        others = np.arange(len(self.lots) + len(self.products))
        return np.concatenate((self._lot_of_use, others))

    @cached_property
    def _groups(self) -> list[Key]:
        return [
            *(("lot", lot.lot_id) for lot in self.lots),
            *(("short", product_id) for product_id in self.products),
        ]

    @cached_property
    def _columns(self) -> dict[Key, int]:
        columns: dict[Key, int] = {
            ("use", self.lots[place].lot_id, product_id): block.columns.start + at
            for product_id, block in self.products.items()
            for at, place in enumerate(block.lots.tolist())
        }
        for at, lot in enumerate(self.lots):
            columns["left over", lot.lot_id] = self.uses + at
        for at, product_id in enumerate(self.products):
            columns["short", product_id] = self.uses + len(self.lots) + at
        return columns

    def _column_of(self, key: Key) -> int | None:
        return self._columns.get(key)

    def _limits(self, case: Case) -> Iterator[Limit]:
        for product in case.products:
            product_id = product.product_id
            lean, fat = ("lean", product_id), ("fat", product_id)
            order = {lean: _ONE, fat: _ONE, ("short", product_id): _ONE}
            yield Limit(("finished", product_id), order, exact(product.min_lb))
            if product.max_lb is not None:
                most = {lean: -_ONE, fat: -_ONE}
                yield Limit(("finished_max", product_id), most, -exact(product.max_lb))
        yield from self._recipe_limits
        for constraint in case.constraints:
            yield from _added_limits(constraint)
        for rule in self.rules:
            if rule.kind is RuleKind.MUST_USE:
                used = {(rule.kind, rule.rule_id): _ONE}
                yield Limit(("must_use", rule.rule_id), used, must_use_lb(rule, case))

    @cached_property
    def _recipe_limits(self) -> list[Limit]:
        """Limits on lean, fat, shares and heat, the same in all cases of the statement."""
        limits: list[Limit] = []
        for product in self._case.products:
            product_id = product.product_id
            lean, fat = ("lean", product_id), ("fat", product_id)
            limits += self._shares("lean", lean, product_id, product_id, *lean_limits(product))
            for rule in self.products[product_id].rules:
                key = rule.rule_id, product_id
                if rule.kind is RuleKind.MAX_TEMP:
                    limits.append(Limit(("temperature", key), {(rule.kind, key): -_ONE}))
                elif rule.kind in (RuleKind.SHARE, RuleKind.FAT):
                    part = fat if rule.kind is RuleKind.FAT else (rule.kind, key)
                    minimum, maximum = (
                        None if share is None else exact(share)
                        for share in (rule.min_share, rule.max_share)
                    )
                    limits += self._shares(str(rule.kind), part, key, product_id, minimum, maximum)
        return limits

    def _shares(
        self,
        name: str,
        part: Key,
        key: Key,
        product_id: str,
        minimum: Fraction | None,
        maximum: Fraction | None,
    ) -> Iterator[Limit]:
        """A part of the pounds after losses is between a min and a max share."""
        for side, sign, share in (("min", 1, minimum), ("max", -1, maximum)):
            if share is None:
                continue
            terms = {("lean", product_id): -sign * share, ("fat", product_id): -sign * share}
            terms[part] = terms.get(part, _ZERO) + sign
            yield Limit((f"{name}_{side}", key), terms)

    def certify(self, case: Case, certificate: Certificate) -> tuple[Primal, Dual]:
        program = self.program(case)
        return certify(program, solution(certificate.pounds), limit_prices(certificate.prices))

    def primal(self, case: Case, plan: PlanPounds) -> Primal:
        return primal(self.program(case), solution(plan))

    def dual(self, case: Case, prices: DualPrices) -> Dual:
        return dual(self.program(case), limit_prices(prices))


def _sum_of(columns: list[int]) -> Measure:
    return Measure.of(columns, [_ONE] * len(columns))


def _added_limits(constraint: LinearConstraint) -> Iterator[Limit]:
    """Both sides of a constraint that the user added."""
    terms: dict[Key, Fraction] = {}
    for term in constraint.terms:
        match term.pounds:
            case Pounds.USE:
                parts: tuple[Key, ...] = (("use", term.lot_id, term.product_id),)
            case Pounds.TAKE:
                parts = (("take", term.lot_id),)
            case Pounds.FINISHED:
                parts = (("lean", term.product_id), ("fat", term.product_id))
            case Pounds.SHORT:
                parts = (("short", term.product_id),)
        for part in parts:
            terms[part] = terms.get(part, _ZERO) + exact(term.coefficient)
    if constraint.minimum is not None:
        yield Limit(("added_min", constraint.name), terms, exact(constraint.minimum))
    if constraint.maximum is not None:
        most = {part: -number for part, number in terms.items()}
        yield Limit(("added_max", constraint.name), most, -exact(constraint.maximum))


def solution(plan: PlanPounds) -> dict[Key, Fraction]:
    """A plan's pounds by column of its program, as the binary fractions that they are."""
    x: dict[Key, Fraction] = {
        ("left over", lot_id): Fraction(lb) for lot_id, lb in plan.take_lb.items()
    }
    for (lot_id, product_id), lb in plan.use_lb.items():
        x["use", lot_id, product_id] = Fraction(lb)
        left_over = x.get(("left over", lot_id), _ZERO)
        x["left over", lot_id] = left_over - Fraction(lb)
    return x | {("short", product_id): Fraction(lb) for product_id, lb in plan.short_lb.items()}


def limit_prices(prices: DualPrices) -> dict[Key, Fraction]:
    """Dual prices by limit of the program. A finished price below zero is that of the most volume;
    an order and a most volume are not both priced, which would only lower the bound."""
    y: dict[Key, Fraction] = {}
    for field in fields(DualPrices):
        by_key: Mapping[Key, float] = getattr(prices, field.name)
        for key, usd in by_key.items():
            is_most = field.name == "finished" and usd < 0
            name = "finished_max" if is_most else field.name
            y[name, key] = abs(exact(usd)) if field.name == "finished" else exact(usd)
    return y


class Statements:
    """Statements of cases, one for all cases that can share it."""

    def __init__(self) -> None:
        self._known: dict[tuple, Statement] = {}

    def of(self, case: Case) -> Statement:
        key = _what_states(case)
        if key not in self._known:
            self._known[key] = Statement(case)
        return self._known[key]


def _what_states(case: Case) -> tuple:
    return (
        case.settings.plan_on,
        tuple(map(_without_price, case.lots)),
        tuple(map(_without_order, case.products)),
        case.rules,
        case.losses,
        case.standards,
        case.constraints,
    )


def _without_price(lot: Lot) -> Lot:
    return replace(
        lot,
        price_usd_per_lb=0.0,
        price_basis="delivered",
        freight_usd_per_lb=0.0,
        quantity_lb=None,
        min_purchase_lb=0.0,
        salvage_value_usd_per_lb=0.0,
    )


def _without_order(product: Product) -> Product:
    return replace(
        product, min_lb=0.0, max_lb=None, shortage_penalty_usd_per_lb=None, sale_usd_per_lb=0.0
    )
