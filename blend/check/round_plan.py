"""The plan on the scales: its pounds, what they keep, and how far rounding can move them."""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from blend.check.exact import exact, kept_of_lb, total, whole_if_near
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Ingredient, Take
from blend.domain.products import Product
from blend.domain.rules import WholeContainers

ROUNDING_LB = Fraction(1)
"""Rounding an ingredient of one batch to whole pounds, up or down, moves it by less."""


MAX_ROUNDING_SHARE = Fraction(1, 200)
"""House rule: how far at most rounding may carry a share past its limit."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure read off the plan, and how far rounding alone can have carried it."""

    figure: Fraction
    allowance: Fraction = Fraction(0)
    note: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One lot within a blend; pounds as weighed before losses."""

    lot: Lot
    pounds: Fraction
    slack_lb: Fraction
    """How far rounding can have moved the pounds."""
    lean_per_lb: Fraction
    fat_per_lb: Fraction

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

    Its sums are reckoned in whole numbers, of pounds and of finished pounds a pound each cut
    into parts small enough: exact as fractions are, and several times as quick.
    """

    parts: tuple[Part, ...]
    note: str = ""

    @cached_property
    def finished(self) -> Reading:
        return Reading(
            Fraction(_dot(self._pounds, self._mass), self._pound * self._kept_pound),
            Fraction(_dot(self._slack, self._mass), self._pound * self._kept_pound),
            self.note,
        )

    @cached_property
    def _pound(self) -> int:
        """Into how many parts a pound is cut."""
        weights = (each for part in self.parts for each in (part.pounds, part.slack_lb))
        return math.lcm(*(weight.denominator for weight in weights))

    @cached_property
    def _kept_pound(self) -> int:
        """Into how many parts what is kept of a pound is cut."""
        kept = (each for part in self.parts for each in (part.lean_per_lb, part.fat_per_lb))
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

    def pounds_of(self, lot: Lot) -> Fraction:
        return total(part.pounds for part in self.parts if part.lot is lot)

    def share(self, of: Callable[[Part], Fraction]) -> Reading:
        """The share of the finished blend that `of` makes: lean, fat or mass per lb of a part, or
        nothing.

        A pound more of a part moves the sum of (`of` - share × mass) by its own, and the share
        by that over what then is finished. At worst all parts move the share the same way
        while the blend is as light as rounding can have made it. More than half a point is never
        put down to rounding: a batch so light is too light for whole pounds.
        """
        made = [_parts_of(of(part), self._kept_pound) for part in self.parts]
        made_lb, finished_lb = _dot(self._pounds, made), _dot(self._pounds, self._mass)
        # once more as small, so that the share times the mass is a whole number too
        moved_lb = sum(
            slack * abs(each * finished_lb - made_lb * mass)
            for slack, each, mass in zip(self._slack, made, self._mass, strict=True)
        )
        lightest_lb = (finished_lb - _dot(self._slack, self._mass)) * finished_lb
        is_firm = moved_lb < lightest_lb
        moved = Fraction(moved_lb, lightest_lb) if is_firm else MAX_ROUNDING_SHARE
        return Reading(Fraction(made_lb, finished_lb), min(moved, MAX_ROUNDING_SHARE), self.note)


def _parts_of(amount: Fraction, parts: int) -> int:
    return amount.numerator * (parts // amount.denominator)


def _dot(ours: Iterable[int], theirs: Iterable[int]) -> int:
    return sum(map(operator.mul, ours, theirs))


@dataclass(frozen=True, slots=True)
class Rounded:
    """A plan's pounds; every lot and product of the case has its entries."""

    case: Case
    takes: dict[str, list[Take]]
    runs: dict[str, list[BatchRun]]
    batches: dict[str, list[Blend]]
    """By product: one batch of each run, in the order of `runs`."""
    totals: dict[str, Blend]
    """By product: all its batches together."""
    taken_lb: dict[str, Fraction]
    there_lb: dict[str, Fraction | None]
    """By lot: what can be had on the day, None where no limit is stated."""
    used: dict[str, Reading]
    below_zero: frozenset[str]
    """Lots of which a batch holds less than nothing."""
    shortage_lb: dict[str, Fraction]


def is_packed(lot: Lot) -> bool:
    return lot.container != "loose"


def keeps_whole(case: Case, lot: Lot) -> bool:
    """Whether the lot's containers must be taken whole."""
    return case.settings.whole_containers is not WholeContainers.NO and is_packed(lot)


def pounds_of(case: Case, lot: Lot, pounds_lb: float) -> Fraction:
    """Pounds of a lot, exact; of one whose containers are whole, to the container."""
    pounds = exact(pounds_lb)
    return whole_if_near(pounds, lot) if keeps_whole(case, lot) else pounds


def round_plan(
    case: Case,
    takes: Iterable[Take],
    runs: Iterable[BatchRun],
    shortage_lb: Mapping[str, float],
) -> Rounded:
    """Put a plan on the scales. A lot or product that the case does not hold is a KeyError."""
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
    return Rounded(
        case=case,
        takes=takes_of,
        runs=runs_of,
        batches=batches,
        totals=totals,
        taken_lb={
            lot.lot_id: total(pounds_of(case, lot, t.pounds_lb) for t in takes_of[lot.lot_id])
            for lot in case.lots
        },
        there_lb={lot.lot_id: _there_lb(case, lot) for lot in case.lots},
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


def _there_lb(case: Case, lot: Lot) -> Fraction | None:
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
    lean, fat = kept_of_lb(lot, product, case.losses)
    return Part(lot, pounds_of(case, lot, ingredient.pounds_lb), slack_lb, lean, fat)


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


def _used(case: Case, totals: Iterable[Blend]) -> dict[str, Reading]:
    used = {lot.lot_id: Reading(Fraction(0)) for lot in case.lots}
    for blend in totals:
        for part in blend.parts:
            before = used[part.lot.lot_id]
            used[part.lot.lot_id] = Reading(
                before.figure + part.pounds, before.allowance + part.slack_lb
            )
    return used
