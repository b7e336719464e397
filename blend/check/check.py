"""Every requirement of a case held against the rounded plan, and the money counted again.

One small function for each family. What cannot be told by rounding is met or broken; what
can be is met, met within rounding, or broken. A published limit (one with a section) is
never met "within rounding": the law knows no such thing. And a check here is arithmetic on
the lean that the lots are said to have, no test of the meat: the current text of the rule,
the inspector and the plant's own sampling decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from blend.check.exact import (
    NEAR,
    exact,
    freight_usd_per_lb,
    is_near,
    lean_limits,
    must_use_lb,
    reason_barred,
)
from blend.check.round_plan import (
    ROUNDING_LB,
    Blend,
    Part,
    Reading,
    Rounded,
    is_packed,
    keeps_whole,
    pounds_of,
    round_plan,
)
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Check, Ingredient, Money, Take, Verdict
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import Selector
from blend.domain.standards import Action, StandardRow

_SEVERITY = {Verdict.MET: 0, Verdict.WITHIN_ROUNDING: 1, Verdict.BROKEN: 2}


def check_plan(
    case: Case,
    takes: Iterable[Take],
    runs: Iterable[BatchRun],
    shortage_lb: Mapping[str, float],
) -> tuple[Check, ...]:
    """Hold every requirement of the case against the rounded plan.

    Shares are of finished mass, pounds of `takes` and `runs` as weighed before losses,
    `shortage_lb` finished pounds by product (left out: none). Where batches of a product
    differ, the worst decides its lean, fat and shares. A lot or product that the case does
    not hold is a KeyError.
    """
    plan = round_plan(case, takes, runs, shortage_lb)
    return tuple(_checks(plan))


def count_money(
    case: Case,
    takes: Iterable[Take],
    runs: Iterable[BatchRun],
    shortage_lb: Mapping[str, float],
) -> Money:
    """What the rounded plan costs, in USD; what is left over is counted here, not read off
    the takes."""
    plan = round_plan(case, takes, runs, shortage_lb)
    meat = freight = leftover = shortage = sales = finished = Fraction(0)
    for lot in case.lots:
        taken_lb = plan.taken_lb[lot.lot_id]
        unused_lb = taken_lb - plan.used[lot.lot_id].figure
        meat += taken_lb * exact(lot.price_usd_per_lb)
        freight += taken_lb * freight_usd_per_lb(lot)
        leftover += unused_lb * exact(lot.salvage_value_usd_per_lb)
    for product in case.products:
        made_lb = plan.totals[product.product_id].finished.figure
        penalty = exact(product.shortage_penalty_usd_per_lb or 0.0)
        shortage += plan.shortage_lb[product.product_id] * penalty
        sales += made_lb * exact(product.sale_usd_per_lb)
        finished += made_lb
    return Money(*map(float, (meat, freight, leftover, shortage, sales, finished)))


def _checks(plan: Rounded) -> Iterator[Check]:
    for product in plan.case.products:
        for constraint_class in (
            _lean,
            _volume,
            _batch_fill,
            _may_hold,
            _one_recipe,
            _containers_used,
        ):
            yield from constraint_class(plan, product)
    for lot in plan.case.lots:
        for constraint_class in (_supply, _min_purchase, _containers_taken):
            yield from constraint_class(plan, lot)
    for rule in plan.case.binding_rules():
        yield from _rule(plan, rule)
    for product in plan.case.products:
        for row in plan.case.standard_rows(product):
            yield from _told_only(plan, product, row)


@dataclass(frozen=True, slots=True)
class _Limit:
    """One requirement with its limits, ready to be held against readings."""

    requirement: Requirement
    unit: str
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    section: str = ""
    note: str = ""

    def hold(self, *readings: Reading, fault: str = "") -> Check:
        """The check of the worst reading; a fault of the plan itself breaks it anyway."""
        if self.section:
            readings = tuple(replace(reading, allowance=Fraction(0)) for reading in readings)
        worst, verdict = self._worst(readings)
        return Check(
            requirement=self.requirement,
            read=float(worst.figure),
            minimum=_float_or_none(self.minimum),
            maximum=_float_or_none(self.maximum),
            unit=self.unit,
            allowance=float(worst.allowance),
            verdict=Verdict.BROKEN if fault else verdict,
            note=fault or worst.note or self.note,
            section=self.section,
        )

    def idle(self, why: str) -> Check:
        """Met because there is nothing to hold it against."""
        return replace(self.hold(Reading(Fraction(0), note=why)), verdict=Verdict.MET)

    def _worst(self, readings: Sequence[Reading]) -> tuple[Reading, Verdict]:
        if len(readings) == 1 and self._is_within(readings[0]):
            return readings[0], Verdict.MET  # most are, and how far within is of no account
        beyond = [self._beyond(reading) for reading in readings]
        verdicts = [_verdict(*each) for each in zip(beyond, readings, strict=True)]
        worst = max(range(len(readings)), key=lambda i: (_SEVERITY[verdicts[i]], beyond[i]))
        return readings[worst], verdicts[worst]

    def _is_within(self, reading: Reading) -> bool:
        return (self.minimum is None or reading.figure >= self.minimum) and (
            self.maximum is None or reading.figure <= self.maximum
        )

    def _beyond(self, reading: Reading) -> Fraction:
        """How far the reading lies outside the limits, below zero inside."""
        outside = []
        if self.minimum is not None:
            outside.append(self.minimum - reading.figure)
        if self.maximum is not None:
            outside.append(reading.figure - self.maximum)
        return max(outside)


def _verdict(beyond: Fraction, reading: Reading) -> Verdict:
    if beyond <= 0:
        return Verdict.MET
    return Verdict.WITHIN_ROUNDING if beyond <= reading.allowance else Verdict.BROKEN


def _float_or_none(number: Fraction | None) -> float | None:
    return None if number is None else float(number)


def _lb(pounds: Fraction) -> str:
    return f"{float(pounds):,.10g} lb"


# Products


def _lean(plan: Rounded, product: Product) -> Iterator[Check]:
    minimum, maximum = lean_limits(product)
    fault = _misstated_lean(plan, product)

    def limit(constraint_class: ConstraintClass, **limits: Fraction) -> _Limit:
        return _Limit(Requirement(constraint_class, product.product_id), "share", **limits)

    for held in (
        limit(ConstraintClass.LEAN_MIN, minimum=minimum),
        limit(ConstraintClass.LEAN_MAX, maximum=maximum),
    ):
        yield _worst_batch(plan, product, held, lambda part: part.lean_per_lb, fault)


def _misstated_lean(plan: Rounded, product: Product) -> str:
    product_id = product.product_id
    for run, batch in zip(plan.runs[product_id], plan.batches[product_id], strict=True):
        if batch.finished.figure:
            lean = batch.share(lambda part: part.lean_per_lb).figure
            if not is_near(exact(run.lean), lean):
                return f"the plan states a lean share of {run.lean:.6g}, not {float(lean):.6g}"
    return ""


def _worst_batch(
    plan: Rounded,
    product: Product,
    limit: _Limit,
    of: Callable[[Part], Fraction],
    fault: str = "",
) -> Check:
    batches = [batch for batch in plan.batches[product.product_id] if batch.finished.figure]
    if not batches:
        return limit.idle("none made")
    return limit.hold(*(batch.share(of) for batch in batches), fault=fault)


def _volume(plan: Rounded, product: Product) -> Iterator[Check]:
    made = plan.totals[product.product_id].finished
    order_lb = exact(product.min_lb)
    if order_lb:
        requirement = Requirement(ConstraintClass.VOLUME_MIN, product.product_id)
        short_lb = plan.shortage_lb[product.product_id]
        may_lack_lb = order_lb if product.shortage_penalty_usd_per_lb is not None else Fraction(0)
        fault = ""
        if not -NEAR <= short_lb <= may_lack_lb + NEAR:
            fault = f"states {_lb(short_lb)} short of {_lb(order_lb)}; allowed {_lb(may_lack_lb)}"
        elif short_lb > 0:
            made = replace(made, note=f"{_lb(order_lb)} ordered, {_lb(short_lb)} short")
        yield _Limit(requirement, "lb", minimum=order_lb - short_lb).hold(made, fault=fault)
    if product.max_lb is not None:
        requirement = Requirement(ConstraintClass.VOLUME_MAX, product.product_id)
        yield _Limit(requirement, "lb", maximum=exact(product.max_lb)).hold(made)


def _batch_fill(plan: Rounded, product: Product) -> Iterator[Check]:
    limit = _Limit(
        Requirement(ConstraintClass.BATCH_FILL, product.product_id),
        "lb",
        minimum=exact(product.blender_min_lb),
        maximum=exact(product.blender_max_lb),
    )
    batches = plan.batches[product.product_id]
    if not batches:
        yield limit.idle("none made")
        return
    fault = ""
    for run, batch in zip(plan.runs[product.product_id], batches, strict=True):
        if run.batches < 1:
            fault = f"a run of {run.batches} batches"
        elif not is_near(exact(run.finished_lb), batch.finished.figure):
            fault = (
                f"the plan states a batch of {run.finished_lb:,.10g} lb, "
                f"not {_lb(batch.finished.figure)}"
            )
    yield limit.hold(*(batch.finished for batch in batches), fault=fault)


def _may_hold(plan: Rounded, product: Product) -> Iterator[Check]:
    day = plan.case.settings.plan_on
    barred = [
        (part, reason)
        for part in plan.totals[product.product_id].parts
        if part.pounds and (reason := reason_barred(part.lot, product, day))
    ]
    yield _Limit(
        Requirement(ConstraintClass.MAY_HOLD, product.product_id), "lb", maximum=Fraction(0)
    ).hold(
        Reading(
            sum((part.pounds for part, _ in barred), Fraction(0)),
            note="; ".join(f"lot {part.lot.lot_id}: {reason}" for part, reason in barred),
        )
    )


def _one_recipe(plan: Rounded, product: Product) -> Iterator[Check]:
    """Batches are made to one recipe anyway where they do not each hold whole containers."""
    if plan.case.settings.whole_containers is not WholeContainers.PER_BATCH:
        yield from _equal_recipe(
            plan, product, Requirement(ConstraintClass.EQUAL_RECIPE, product.product_id)
        )


def _equal_recipe(plan: Rounded, product: Product, requirement: Requirement) -> Iterator[Check]:
    """Batches of one recipe, each rounded, can still differ by a pound of a lot."""
    batches = plan.batches[product.product_id]
    readings = [Reading(Fraction(0), note="" if batches else "none made")]
    for part in plan.totals[product.product_id].parts:
        pounds = [batch.pounds_of(part.lot) for batch in batches]
        spread = max(pounds) - min(pounds)
        allowance = min(ROUNDING_LB, part.slack_lb)
        readings.append(Reading(spread, allowance, f"lot {part.lot.lot_id}" if spread else ""))
    yield _Limit(requirement, "lb", maximum=Fraction(0)).hold(*readings)


def _containers_used(plan: Rounded, product: Product) -> Iterator[Check]:
    """What the product holds of a packed lot, or each of its batches, is whole containers.

    Where the product as a whole receives them, its batches share them in whole pounds, so
    that rounding can move their sum.
    """
    where = plan.case.settings.whole_containers
    total, batches = plan.totals[product.product_id], plan.batches[product.product_id]
    if where is WholeContainers.PER_PRODUCT:
        blends = [total]
    elif where is WholeContainers.PER_BATCH:
        blends = batches
    else:
        return
    for lot in (part.lot for part in total.parts if is_packed(part.lot)):
        yield _whole_containers(
            lot,
            Requirement(ConstraintClass.WHOLE_CONTAINERS, product.product_id, lot.lot_id),
            [
                Reading(part.pounds, part.slack_lb, blend.note)
                for blend in blends
                for part in blend.parts
                if part.lot is lot
            ],
            _misstated_containers(
                plan.case,
                lot,
                (
                    ingredient
                    for run in plan.runs[product.product_id]
                    for ingredient in run.ingredients
                    if ingredient.lot_id == lot.lot_id
                ),
            ),
        )


def _whole_containers(
    lot: Lot, requirement: Requirement, pounds: Iterable[Reading], fault: str
) -> Check:
    """The check of the reading that lies farthest from whole containers."""
    one_lb = exact(lot.container_lb)
    readings = [Reading(r.figure / one_lb, r.allowance / one_lb, r.note) for r in pounds]
    worst = max(readings, key=lambda r: abs(r.figure - round(r.figure)))
    whole = Fraction(round(worst.figure))
    return _Limit(requirement, "containers", minimum=whole, maximum=whole).hold(worst, fault=fault)


def _misstated_containers(case: Case, lot: Lot, stated: Iterable[Take | Ingredient]) -> str:
    for each in stated:
        pounds = pounds_of(case, lot, each.pounds_lb)
        if each.containers is not None and each.containers * exact(lot.container_lb) != pounds:
            return f"the plan states {each.containers} containers for {_lb(pounds)}"
    return ""


# Lots


def _supply(plan: Rounded, lot: Lot) -> Iterator[Check]:
    """Used <= taken <= what there is on the day, which is nothing of an unusable lot."""
    used, taken_lb = plan.used[lot.lot_id], plan.taken_lb[lot.lot_id]
    there_lb = plan.there_lb[lot.lot_id]
    drawn_lb = max(used.figure, taken_lb)
    limit = _Limit(
        Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id),
        "lb",
        minimum=Fraction(0),
        maximum=there_lb,
        note=lot.reason_unusable(plan.case.settings.plan_on) or "",
    )
    reading = Reading(drawn_lb)
    if used.figure > taken_lb and (there_lb is None or drawn_lb <= there_lb):
        limit = replace(limit, maximum=taken_lb)
        reading = replace(used, note="more is used than taken")
    yield limit.hold(reading, fault=_misstated_take(plan, lot))


def _misstated_take(plan: Rounded, lot: Lot) -> str:
    takes, used_lb = plan.takes[lot.lot_id], plan.used[lot.lot_id].figure
    if lot.lot_id in plan.below_zero:
        return "pounds below zero"
    stated_lb = sum((exact(take.used_lb) for take in takes), Fraction(0))
    if takes and not is_near(stated_lb, used_lb):
        return f"the plan states {_lb(stated_lb)} used, not {_lb(used_lb)}"
    return ""


def _min_purchase(plan: Rounded, lot: Lot) -> Iterator[Check]:
    """Rounding a take to whole pounds can carry it below an asked part of a pound, no more."""
    there_lb, asked_lb = plan.there_lb[lot.lot_id], exact(lot.min_purchase_lb)
    if lot.must_take_all and there_lb is not None:
        asked_lb = there_lb
    if not asked_lb:
        return
    limit = _Limit(
        Requirement(ConstraintClass.MIN_PURCHASE, lot_id=lot.lot_id), "lb", minimum=asked_lb
    )
    taken_lb = plan.taken_lb[lot.lot_id]
    if not taken_lb:
        yield limit.idle("not taken")
    else:
        allowance = Fraction(0) if keeps_whole(plan.case, lot) else asked_lb % 1
        yield limit.hold(Reading(taken_lb, allowance))


def _containers_taken(plan: Rounded, lot: Lot) -> Iterator[Check]:
    if keeps_whole(plan.case, lot):
        yield _whole_containers(
            lot,
            Requirement(ConstraintClass.WHOLE_CONTAINERS, lot_id=lot.lot_id),
            [Reading(plan.taken_lb[lot.lot_id])],
            _misstated_containers(plan.case, lot, plan.takes[lot.lot_id]),
        )


# Rules


def _rule(plan: Rounded, rule: Rule) -> Iterator[Check]:
    if rule.kind is RuleKind.MUST_USE:
        yield _must_use(plan, rule)
        return
    for product in plan.case.products:
        if rule.governs(product):
            yield from _RULES[rule.kind](plan, rule, product)


def _limit_of(
    rule: Rule, product: Product, constraint_class: ConstraintClass, unit: str, **limits: float
) -> _Limit:
    return _Limit(
        Requirement(constraint_class, product.product_id, rule_id=rule.rule_id),
        unit,
        **{side: exact(limit) for side, limit in limits.items()},
        section=rule.source,
        note=rule.note,
    )


def _share(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    def chosen(part: Part) -> Fraction:
        return part.mass_per_lb if rule.lots.holds(part.lot) else Fraction(0)

    if rule.min_share is not None:
        limit = _limit_of(rule, product, ConstraintClass.SHARE_MIN, "share", minimum=rule.min_share)
        yield _worst_batch(plan, product, limit, chosen)
    if rule.max_share is not None:
        limit = _limit_of(rule, product, ConstraintClass.SHARE_MAX, "share", maximum=rule.max_share)
        yield _worst_batch(plan, product, limit, chosen)


def _fat(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    def fat(part: Part) -> Fraction:
        return part.fat_per_lb

    if rule.min_share is not None:
        limit = _limit_of(rule, product, ConstraintClass.FAT_MIN, "share", minimum=rule.min_share)
        yield _worst_batch(plan, product, limit, fat)
    if rule.max_share is not None:
        limit = _limit_of(rule, product, ConstraintClass.FAT_MAX, "share", maximum=rule.max_share)
        yield _worst_batch(plan, product, limit, fat)


def _max_lots(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    limit = _limit_of(rule, product, ConstraintClass.MAX_LOTS, "count", maximum=rule.max_count)
    readings = [
        Reading(Fraction(len(_lots_in(blend, rule.lots))), note=blend.note)
        for blend in plan.batches[product.product_id]
    ]
    yield limit.hold(*readings) if readings else limit.hold(Reading(Fraction(0)))


def _min_if_used(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    limit = _limit_of(rule, product, ConstraintClass.MIN_IF_USED, "share", minimum=rule.min_share)

    def share(blend: Blend, lot: Lot) -> Reading:
        of_lot = blend.share(lambda part: part.mass_per_lb if part.lot is lot else Fraction(0))
        where = f"lot {lot.lot_id}, {blend.note}" if blend.note else f"lot {lot.lot_id}"
        return replace(of_lot, note=where)

    readings = [
        share(blend, lot)
        for blend in plan.batches[product.product_id]
        if blend.finished.figure
        for lot in _lots_in(blend, rule.lots)
    ]
    yield limit.hold(*readings) if readings else limit.idle("none used")


def _must_use(plan: Rounded, rule: Rule) -> Check:
    parts = [
        part
        for product in plan.case.products
        if rule.governs(product)
        for part in plan.totals[product.product_id].parts
        if rule.lots.holds(part.lot)
    ]
    used = Reading(
        sum((part.pounds for part in parts), Fraction(0)),
        sum((part.slack_lb for part in parts), Fraction(0)),
    )
    min_lb = must_use_lb(rule, plan.case)
    return _Limit(
        Requirement(ConstraintClass.MUST_USE, rule_id=rule.rule_id),
        "lb",
        minimum=min_lb or Fraction(0),
        section=rule.source,
        note=rule.note,
    ).hold(used, fault="all of a lot without a stated quantity" if min_lb is None else "")


def _must_not_use(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    lots = _lots_in(plan.totals[product.product_id], rule.lots)
    pounds = sum((plan.totals[product.product_id].pounds_of(lot) for lot in lots), Fraction(0))
    limit = _limit_of(rule, product, ConstraintClass.MUST_NOT_USE, "lb", maximum=0)
    yield limit.hold(Reading(pounds, note=_lot_names(lots)))


def _keep_apart(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    meetings = {
        frozenset((ours.lot_id, theirs.lot_id))
        for blend in plan.batches[product.product_id]
        for ours in _lots_in(blend, rule.lots)
        for theirs in _lots_in(blend, rule.against)
        if ours is not theirs
    }
    named = "; ".join(sorted(" with ".join(sorted(meeting)) for meeting in meetings))
    limit = _limit_of(rule, product, ConstraintClass.KEEP_APART, "count", maximum=0)
    yield limit.hold(Reading(Fraction(len(meetings)), note=named and f"lot {named}"))


def _temperature(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    """Heat beyond the limit, a pound of the batch as it was weighed, in Btu."""
    limit = _limit_of(rule, product, ConstraintClass.MAX_TEMP, "Btu/lb", maximum=0)
    excess = {lot_id: exact(btu) for lot_id, btu in rule.excess_heat_btu_per_lb}

    def mean(blend: Blend) -> Reading:
        pounds = heat = moved = Fraction(0)
        for part in blend.parts:
            beyond = excess[part.lot.lot_id]
            pounds += part.pounds
            heat += part.pounds * beyond
            moved += part.slack_lb * abs(beyond)
        return Reading(heat / pounds, moved / pounds, blend.note)

    blends = [blend for blend in plan.batches[product.product_id] if blend.finished.figure]
    yield limit.hold(*map(mean, blends)) if blends else limit.idle("none made")


def _rule_of_one_recipe(plan: Rounded, rule: Rule, product: Product) -> Iterator[Check]:
    requirement = Requirement(
        ConstraintClass.EQUAL_RECIPE, product.product_id, rule_id=rule.rule_id
    )
    yield from _equal_recipe(plan, product, requirement)


_RULES: dict[RuleKind, Callable[[Rounded, Rule, Product], Iterator[Check]]] = {
    RuleKind.SHARE: _share,
    RuleKind.FAT: _fat,
    RuleKind.MAX_LOTS: _max_lots,
    RuleKind.MIN_IF_USED: _min_if_used,
    RuleKind.MUST_NOT_USE: _must_not_use,
    RuleKind.KEEP_APART: _keep_apart,
    RuleKind.EQUAL_RECIPE: _rule_of_one_recipe,
    RuleKind.MAX_TEMP: _temperature,
}


def _lots_in(blend: Blend, selector: Selector) -> list[Lot]:
    """The selected lots that the blend holds any of."""
    return [part.lot for part in blend.parts if part.pounds and selector.holds(part.lot)]


def _lot_names(lots: Iterable[Lot]) -> str:
    return "; ".join(f"lot {lot.lot_id}" for lot in lots)


# Rows of standards that do not bind


def _told_only(plan: Rounded, product: Product, row: StandardRow) -> Iterator[Check]:
    """Warnings for rows that warn; a note for rows that only tell a condition."""
    rule = row.rule_for(product)
    if rule is None:
        yield Check(
            requirement=Requirement(
                ConstraintClass.MAY_HOLD, product.product_id, rule_id=row.row_id
            ),
            read=0.0,
            minimum=row.min_share,
            maximum=row.max_share,
            unit="share" if row.kind else "",
            allowance=0.0,
            verdict=Verdict.NOTE,
            note="; ".join(filter(None, (row.title, row.note))),
            section=row.section,
        )
    elif row.action is Action.WARN:
        for check in _rule(plan, rule):
            met = check.verdict is Verdict.MET
            yield replace(check, verdict=Verdict.MET if met else Verdict.WARNING)
