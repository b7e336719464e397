"""The pounds of a finished plan as exact fractions, and the plain arithmetic of a check.

Everything a check of a plan needs is here and in `blend.domain.exact`: it reads the tables and
the plan's own pounds, and nothing of the model that found the plan.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from blend.domain.analyses import ANALYSES, LEAN
from blend.domain.case import Case
from blend.domain.exact import exact, fat_kept_of, kept_of, total, whole_if_near
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Check, Ingredient, Take, Verdict
from blend.domain.products import Product
from blend.domain.requirements import Requirement
from blend.domain.rules import Rule, WholeContainers
from blend.domain.selectors import Selector

ROUNDING_LB = Fraction(1)
"""Rounding an ingredient of one batch to whole pounds, up or down, moves it by less."""


MAX_ROUNDING_SHARE = Fraction(1, 200)
"""House rule: rounding may carry a share past its limit by at most half a point."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One value of the plan, and how far rounding to whole pounds alone can have moved it."""

    value: Fraction
    allowance: Fraction = Fraction(0)
    note: str = ""


_SEVERITY = {Verdict.MET: 0, Verdict.WITHIN_ROUNDING: 1, Verdict.BROKEN: 2}


@dataclass(frozen=True, slots=True)
class Required:
    """One requirement with its limits. A published limit (one with a section) allows no
    rounding: the regulation has no such allowance."""

    requirement: Requirement
    unit: str
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    section: str = ""
    note: str = ""

    @classmethod
    def by_rule(
        cls,
        rule: Rule,
        product: Product | None,
        constraint_class: str,
        unit: str,
        *,
        minimum: float | Fraction | None = None,
        maximum: float | Fraction | None = None,
    ) -> Required:
        """What a rule requires of a product, or of all its products together."""
        product_id = "" if product is None else product.product_id
        return cls(
            Requirement(constraint_class, product_id, rule_id=rule.rule_id),
            unit,
            _exact_or_none(minimum),
            _exact_or_none(maximum),
            section=rule.source,
            note=rule.note,
        )

    def check(self, *values: Measured, fault: str = "") -> Check:
        """The check of the worst value; a fault of the plan itself breaks it anyway."""
        if self.section:
            values = tuple(replace(value, allowance=Fraction(0)) for value in values)
        worst, verdict = self._worst(values)
        return Check(
            requirement=self.requirement,
            read=float(worst.value),
            minimum=_float_or_none(self.minimum),
            maximum=_float_or_none(self.maximum),
            unit=self.unit,
            allowance=float(worst.allowance),
            verdict=Verdict.BROKEN if fault else verdict,
            note=fault or worst.note or self.note,
            section=self.section,
        )

    def not_needed(self, why: str) -> Check:
        """Met because the plan has nothing that it could concern."""
        return replace(self.check(Measured(Fraction(0), note=why)), verdict=Verdict.MET)

    def _worst(self, values: Sequence[Measured]) -> tuple[Measured, Verdict]:
        if len(values) == 1 and self._beyond(values[0]) <= 0:
            return values[0], Verdict.MET
        beyond = [self._beyond(value) for value in values]
        verdicts = [_verdict(*each) for each in zip(beyond, values, strict=True)]
        worst = max(range(len(values)), key=lambda i: (_SEVERITY[verdicts[i]], beyond[i]))
        return values[worst], verdicts[worst]

    def _beyond(self, measured: Measured) -> Fraction:
        """How far the value lies outside the limits, below zero inside."""
        outside = []
        if self.minimum is not None:
            outside.append(self.minimum - measured.value)
        if self.maximum is not None:
            outside.append(measured.value - self.maximum)
        return max(outside)


def _verdict(beyond: Fraction, measured: Measured) -> Verdict:
    if beyond <= 0:
        return Verdict.MET
    return Verdict.WITHIN_ROUNDING if beyond <= measured.allowance else Verdict.BROKEN


def _exact_or_none(number: float | Fraction | None) -> Fraction | None:
    return number if number is None or isinstance(number, Fraction) else exact(number)


def _float_or_none(number: Fraction | None) -> float | None:
    return None if number is None else float(number)


@dataclass(frozen=True, slots=True)
class Part:
    """One lot within a blend; pounds as weighed before losses."""

    lot: Lot
    pounds: Fraction
    slack_lb: Fraction
    """How far rounding can have moved the pounds."""
    kept_per_lb: Mapping[str, Fraction]
    """By analysis: pounds that the losses leave of each pound."""
    fat_per_lb: Fraction

    @property
    def lean_per_lb(self) -> Fraction:
        return self.kept_per_lb[LEAN.name]

    @property
    def mass_per_lb(self) -> Fraction:
        """Finished lb per lb."""
        return self.lean_per_lb + self.fat_per_lb

    def plus(self, pounds: Fraction, slack_lb: Fraction) -> Part:
        return replace(self, pounds=self.pounds + pounds, slack_lb=self.slack_lb + slack_lb)

    def times(self, batches: int) -> Part:
        return replace(self, pounds=self.pounds * batches, slack_lb=self.slack_lb * batches)


@dataclass(frozen=True)
class Blend:
    """One batch, or all the batches of a product together; each lot is one part of it.

    Sums are taken over integers after one common denominator is found: exact, and several
    times faster than adding fractions.
    """

    parts: tuple[Part, ...]
    note: str = ""

    @cached_property
    def finished(self) -> Measured:
        return Measured(
            Fraction(_dot(self._pounds, self._mass), self._pound * self._kept_pound),
            Fraction(_dot(self._slack, self._mass), self._pound * self._kept_pound),
            self.note,
        )

    @cached_property
    def _pound(self) -> int:
        """Common denominator of the pounds."""
        weights = (each for part in self.parts for each in (part.pounds, part.slack_lb))
        return math.lcm(*(weight.denominator for weight in weights))

    @cached_property
    def _kept_pound(self) -> int:
        """Common denominator of lean and fat per lb."""
        kept = (
            each for part in self.parts for each in (*part.kept_per_lb.values(), part.fat_per_lb)
        )
        return math.lcm(*(share.denominator for share in kept))

    @cached_property
    def _pounds(self) -> list[int]:
        return [_parts_of(part.pounds, self._pound) for part in self.parts]

    @cached_property
    def _slack(self) -> list[int]:
        return [_parts_of(part.slack_lb, self._pound) for part in self.parts]

    @cached_property
    def _mass(self) -> list[int]:
        return [_parts_of(part.mass_per_lb, self._kept_pound) for part in self.parts]

    def lots_in(self, selector: Selector) -> list[Lot]:
        """The selected lots that the blend holds any of."""
        return [part.lot for part in self.parts if part.pounds and selector.holds(part.lot)]

    def pounds_of(self, lot: Lot) -> Fraction:
        return total(part.pounds for part in self.parts if part.lot is lot)

    def share(self, of: Callable[[Part], Fraction]) -> Measured:
        """The share of the blend, after losses, that `of` measures per lb of a part: its lean, its
        fat, all or none of it.

        The rounding allowance is the worst case: every part moves the share the same way, and the
        blend is as light as rounding can make it. It is at most half a point; a batch with more
        is too light for whole pounds.
        """
        made = [_parts_of(of(part), self._kept_pound) for part in self.parts]
        made_lb, finished_lb = _dot(self._pounds, made), _dot(self._pounds, self._mass)
        # scaled by finished_lb too, so that share times mass stays an integer
        moved_lb = sum(
            slack * abs(each * finished_lb - made_lb * mass)
            for slack, each, mass in zip(self._slack, made, self._mass, strict=True)
        )
        lightest_lb = (finished_lb - _dot(self._slack, self._mass)) * finished_lb
        has_weight = moved_lb < lightest_lb
        moved = Fraction(moved_lb, lightest_lb) if has_weight else MAX_ROUNDING_SHARE
        return Measured(Fraction(made_lb, finished_lb), min(moved, MAX_ROUNDING_SHARE), self.note)


def _parts_of(amount: Fraction, parts: int) -> int:
    return amount.numerator * (parts // amount.denominator)


def _dot(ours: Iterable[int], theirs: Iterable[int]) -> int:
    return sum(map(operator.mul, ours, theirs))


@dataclass(frozen=True, slots=True)
class PlanPounds:
    """A plan's pounds; every lot and product of the case has its entries."""

    case: Case
    takes: dict[str, list[Take]]
    runs: dict[str, list[BatchRun]]
    batches: dict[str, list[Blend]]
    """By product: one batch of each run, in the order of `runs`."""
    totals: dict[str, Blend]
    """By product: all its batches together."""
    taken_lb: dict[str, Fraction]
    available_lb: dict[str, Fraction | None]
    """By lot: pounds available on the day, None where no limit is stated."""
    used: dict[str, Measured]
    below_zero: frozenset[str]
    """Lots with negative pounds in some batch."""
    shortage_lb: dict[str, Fraction]

    def products_under(self, rule: Rule) -> list[Product]:
        return [product for product in self.case.products if rule.governs(product)]

    def made_batches(self, product: Product) -> list[Blend]:
        """One batch of each run of the product that weighs anything."""
        return [b for b in self.batches[product.product_id] if b.finished.value]

    def check_shares(
        self,
        rule: Rule,
        of: Callable[[Part], Fraction],
        min_class: str,
        max_class: str,
    ) -> Iterator[Check]:
        """The checks of a rule's least and greatest share of finished pounds, where it has them."""
        for product in self.products_under(rule):
            if rule.min_share is not None:
                required = Required.by_rule(
                    rule, product, min_class, "share", minimum=rule.min_share
                )
                yield self.worst_share(product, required, of)
            if rule.max_share is not None:
                required = Required.by_rule(
                    rule, product, max_class, "share", maximum=rule.max_share
                )
                yield self.worst_share(product, required, of)

    def worst_share(
        self,
        product: Product,
        required: Required,
        of: Callable[[Part], Fraction],
        fault: str = "",
    ) -> Check:
        """The check of the batch whose share of finished pounds is worst."""
        batches = self.made_batches(product)
        if not batches:
            return required.not_needed("none made")
        return required.check(*(batch.share(of) for batch in batches), fault=fault)


def is_packed(lot: Lot) -> bool:
    return lot.container != "loose"


def keeps_whole(case: Case, lot: Lot) -> bool:
    """Whether the lot's containers must be taken whole."""
    return case.settings.whole_containers is not WholeContainers.NO and is_packed(lot)


def taken(case: Case, lot: Lot, used_lb: float) -> Take:
    """What has to be bought or pulled for the pounds used: whole containers, all of a lot that is
    sold whole, and at least what the seller ships."""
    pounds_lb = max(used_lb, lot.min_purchase_lb)
    if lot.must_take_all and lot.quantity_lb is not None:
        pounds_lb = max(pounds_lb, lot.quantity_lb)
    containers = None
    if keeps_whole(case, lot) and lot.container_lb:
        containers = math.ceil(pounds_lb / lot.container_lb - 1e-9)
        pounds_lb = containers * lot.container_lb
    return Take(lot.lot_id, pounds_lb, containers, used_lb)


def pounds_of(case: Case, lot: Lot, pounds_lb: float) -> Fraction:
    """Pounds of a lot, exact; of one whose containers are whole, to the container."""
    pounds = exact(pounds_lb)
    return whole_if_near(pounds, lot) if keeps_whole(case, lot) else pounds


def plan_pounds(
    case: Case,
    takes: Iterable[Take],
    runs: Iterable[BatchRun],
    shortage_lb: Mapping[str, float],
) -> PlanPounds:
    """The exact pounds of a plan. A lot or product that is not in the case is a KeyError."""
    takes_of: dict[str, list[Take]] = {lot.lot_id: [] for lot in case.lots}
    for take in takes:
        takes_of[take.lot_id].append(take)
    runs_of: dict[str, list[BatchRun]] = {product.product_id: [] for product in case.products}
    for run in runs:
        runs_of[run.product_id].append(run)
    batches = {
        product.product_id: _batches(case, product, runs_of[product.product_id])
        for product in case.products
    }
    totals = {
        product_id: _total(runs_of[product_id], blends) for product_id, blends in batches.items()
    }
    return PlanPounds(
        case=case,
        takes=takes_of,
        runs=runs_of,
        batches=batches,
        totals=totals,
        taken_lb={
            lot.lot_id: total(pounds_of(case, lot, t.pounds_lb) for t in takes_of[lot.lot_id])
            for lot in case.lots
        },
        available_lb={lot.lot_id: _available_of(case, lot) for lot in case.lots},
        used=_used(case, totals.values()),
        below_zero=frozenset(
            part.lot.lot_id
            for blends in batches.values()
            for blend in blends
            for part in blend.parts
            if part.pounds < 0
        ),
        shortage_lb={product_id: exact(shortage_lb.get(product_id, 0.0)) for product_id in runs_of},
    )


def _available_of(case: Case, lot: Lot) -> Fraction | None:
    if lot.reason_unusable(case.settings.plan_on) is not None:
        return Fraction(0)
    return None if lot.quantity_lb is None else pounds_of(case, lot, lot.quantity_lb)


def _batches(case: Case, product: Product, runs: Sequence[BatchRun]) -> list[Blend]:
    return [
        Blend(
            _merged(_part(case, product, ingredient) for ingredient in run.ingredients),
            f"run {number} of {len(runs)}" if len(runs) > 1 else "",
        )
        for number, run in enumerate(runs, 1)
    ]


def _part(case: Case, product: Product, ingredient: Ingredient) -> Part:
    lot = case.lot(ingredient.lot_id)
    per_batch = case.settings.whole_containers is WholeContainers.PER_BATCH
    slack_lb = Fraction(0) if per_batch and is_packed(lot) else ROUNDING_LB
    return part_of(case, product, lot, pounds_of(case, lot, ingredient.pounds_lb), slack_lb)


def part_of(case: Case, product: Product, lot: Lot, pounds: Fraction, slack_lb: Fraction) -> Part:
    """Pounds of a lot within a blend of the product, with what its losses leave."""
    kept = {analysis.name: kept_of(analysis, lot, product, case.losses) for analysis in ANALYSES}
    return Part(lot, pounds, slack_lb, kept, fat_kept_of(lot, product, case.losses))


def lb_text(pounds: Fraction) -> str:
    return f"{float(pounds):,.10g} lb"


def _total(runs: Sequence[BatchRun], batches: Sequence[Blend]) -> Blend:
    return Blend(
        _merged(
            part.times(run.batches)
            for run, batch in zip(runs, batches, strict=True)
            for part in batch.parts
        )
    )


def _merged(parts: Iterable[Part]) -> tuple[Part, ...]:
    """The parts, those of one lot added together."""
    by_lot: dict[str, Part] = {}
    for part in parts:
        found = by_lot.get(part.lot.lot_id)
        by_lot[part.lot.lot_id] = found.plus(part.pounds, part.slack_lb) if found else part
    return tuple(by_lot.values())


def _used(case: Case, totals: Iterable[Blend]) -> dict[str, Measured]:
    used = {lot.lot_id: Measured(Fraction(0)) for lot in case.lots}
    for blend in totals:
        for part in blend.parts:
            before = used[part.lot.lot_id]
            used[part.lot.lot_id] = Measured(
                before.value + part.pounds, before.allowance + part.slack_lb
            )
    return used
