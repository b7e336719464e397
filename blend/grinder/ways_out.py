"""Changes that free an infeasible day, each planned in whole containers before it is shown.

The smallest change comes from the LP relaxation, or from one search, so it may be too small for
whole combos and batches, or its cost too low. Here each is made in the tables, the day is planned,
rounded and checked, and the change carries the cost of that plan. One that is too small is made
larger a few times; one that still gives no plan is dropped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from time import monotonic

from blend.check.check import check_plan, count_money
from blend.domain.case import Case
from blend.domain.columns import MAX_LB
from blend.domain.plan import Change, InfeasibleSubset, Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, WholeContainers
from blend.errors import SolverTrouble
from blend.model.rules import limit_of
from blend.model.whole import plan_again

Say = Callable[[str], None]

PRODUCT_FIELDS: dict[str, str] = {
    ConstraintClass.LEAN_MIN: "tolerance_below_share",
    ConstraintClass.LEAN_MAX: "tolerance_above_share",
    ConstraintClass.VOLUME_MIN: "min_lb",
    ConstraintClass.VOLUME_MAX: "max_lb",
}
"""Field of the product that holds the limit, by constraint class."""

_TIME_S, _EACH_TIME_S = 30.0, 4.0
"""For all changes together, and for one plan."""
_ORDER_TIME_S = 20.0
"""For the largest order that fits."""
_TIMES_LARGER = (1.0, 1.25, 1.5, 2.0, 3.0)
_DUST = 1e-6


def tried(
    case: Case, infeasible: InfeasibleSubset, say: Say = lambda text: None
) -> InfeasibleSubset:
    """The infeasible subset with only those changes that give a plan in whole containers, each
    with the cost of its plan. Changes that mislabel a product come last."""
    ends_at = monotonic() + _TIME_S
    found, untried = [], 0
    for number, change in enumerate(infeasible.changes, 1):
        if monotonic() > ends_at:
            untried += 1
            continue
        say(f"change {number} of {len(infeasible.changes)}, in whole containers")
        found.append(_tried(case, (change,), ends_at))
    together = _tried(case, infeasible.together, ends_at) if infeasible.together else ()
    failed = sum(each is None for each in found)
    failed += together is None
    alone = [each[0] for each in found if each is not None]
    cut = {each.requirement for each in alone}
    for asked in () if infeasible.was_interrupted else infeasible.requirements:
        if asked.constraint_class is ConstraintClass.VOLUME_MIN and asked not in cut:
            say("the largest order that fits")
            alone += filter(None, [_order_that_fits(case, asked, monotonic() + _ORDER_TIME_S)])
    return replace(
        infeasible,
        changes=tuple(sorted(alone, key=_label_then_order_then_cost)),
        together=together or (),
        changes_failed=failed,
        changes_untried=untried,
        is_tried=True,
    )


def _order_that_fits(case: Case, asked: Requirement, ends_at: float) -> Change | None:
    """The order cut to about the most that fits with all else as it is, in whole batches of the
    usual size; None where no plan was found for any."""
    product = case.product(asked.product_id)

    def usd_of(order_lb: float) -> float | None:
        values = {"min_lb": order_lb}
        if product.max_lb == product.min_lb:  # an exact order is cut as one
            values["max_lb"] = order_lb
        return plan_usd(_with_product(case, asked, values), _EACH_TIME_S)

    found = None
    fits, too_many = 0, math.ceil(product.min_lb / product.batch_lb)
    while too_many - fits > 1 and monotonic() < ends_at:
        batches = (fits + too_many) // 2
        total_usd = usd_of(batches * product.batch_lb)
        if total_usd is None:
            too_many = batches
        else:
            fits, found = batches, total_usd
    if found is None:
        return None
    return Change(asked, product.min_lb, fits * product.batch_lb, "lb", found, is_whole=True)


def _label_then_order_then_cost(change: Change) -> tuple[bool, bool, float]:
    makes_less = change.requirement.constraint_class is ConstraintClass.VOLUME_MIN
    total = math.inf if change.total_usd is None else change.total_usd
    return change.mislabels, makes_less, total


def _tried(case: Case, changes: tuple[Change, ...], ends_at: float) -> tuple[Change, ...] | None:
    """The changes as large as whole containers need, with the cost of the plan that all of them
    together give; None where they give none."""
    can_grow = any(change.unit != "drop" for change in changes)
    before: tuple[Change, ...] = ()
    for times in _TIMES_LARGER if can_grow else (1.0,):
        larger = tuple(rounded(_times(change, times), case) for change in changes)
        if larger == before:
            continue
        before = larger
        changed = case_with(case, larger)
        if changed is None or monotonic() > ends_at:
            return None
        total_usd = plan_usd(changed, min(_EACH_TIME_S, max(1.0, ends_at - monotonic())))
        if total_usd is not None:
            return tuple(replace(change, total_usd=total_usd, is_whole=True) for change in larger)
    return None


def _times(change: Change, times: float) -> Change:
    if change.unit == "drop":
        return change
    becomes = change.was + times * (change.becomes - change.was)
    return replace(change, becomes=max(0.0, becomes))


def rounded(change: Change, case: Case) -> Change:
    """The change as a cell holds it, rounded to the side that is easier to meet."""
    if change.unit == "drop":
        return change
    decimals = 4 if change.unit == "share" else 0
    scaled = change.becomes * 10**decimals
    is_up = change.becomes > change.was
    value = (math.ceil(scaled - _DUST) if is_up else math.floor(scaled + _DUST)) / 10**decimals
    if change.requirement.constraint_class is ConstraintClass.SUPPLY:
        lot = case.lot(change.requirement.lot_id)
        if case.settings.whole_containers is not WholeContainers.NO and lot.container_lb:
            value = math.ceil(change.becomes / lot.container_lb - _DUST) * lot.container_lb
    return replace(change, becomes=value)


def plan_usd(case: Case, time_limit_s: float = 10.0) -> float | None:
    """What the day costs in whole containers; None where no plan keeps every limit, or none was
    found in time."""
    try:
        whole = plan_again(case, time_limit_s)
    except SolverTrouble:
        return None
    plan = None if whole is None else whole.rounded_plan
    if plan is None:
        return None
    parts = (case, plan.takes, plan.runs, plan.shortage_lb)
    if any(check.verdict is Verdict.BROKEN for check in check_plan(*parts)):
        return None
    return count_money(*parts).total_usd


# A change made in the tables --------------------------------------------------------------------


def case_with(case: Case, changes: Iterable[Change]) -> Case | None:
    """The case with changes made; None where one of them is in no table of the plant's own, such
    as what a published standard sets."""
    for change in changes:
        made = _case_with(case, change)
        if made is None:
            return None
        case = made
    return case


def _case_with(case: Case, change: Change) -> Case | None:
    asked, becomes = change.requirement, change.becomes
    if asked.constraint_class in PRODUCT_FIELDS:
        return _with_product(case, asked, {PRODUCT_FIELDS[asked.constraint_class]: becomes})
    if asked.constraint_class is ConstraintClass.BATCH_FILL:
        return _with_product(case, asked, {"blender_min_lb": 0.0, "blender_max_lb": MAX_LB})
    if asked.constraint_class is ConstraintClass.SUPPLY and asked.lot_id:
        return _with_lot(case, asked, {"quantity_lb": becomes})
    if asked.constraint_class is ConstraintClass.MIN_PURCHASE:
        return _with_lot(case, asked, {"min_purchase_lb": 0.0, "must_take_all": False})
    if asked.constraint_class is ConstraintClass.WHOLE_CONTAINERS and asked.lot_id:
        return _with_lot(case, asked, {"container": "loose", "container_lb": None})
    if asked.constraint_class == ConstraintClass.ADDED:
        return _with_constraint(case, change)
    if any(rule.rule_id == asked.rule_id for rule in case.rules):
        return _with_rule(case, change)
    return None


def _with_product(case: Case, asked: Requirement, values: dict[str, float]) -> Case:
    products = tuple(
        replace(each, **values) if each.product_id == asked.product_id else each  # type: ignore[arg-type]
        for each in case.products
    )
    return replace(case, products=products)


def _with_lot(case: Case, asked: Requirement, values: dict[str, object]) -> Case:
    lots = tuple(
        replace(each, **values) if each.lot_id == asked.lot_id else each  # type: ignore[arg-type]
        for each in case.lots
    )
    return replace(case, lots=lots)


def _with_constraint(case: Case, change: Change) -> Case:
    name = change.requirement.rule_id
    others = tuple(each for each in case.constraints if each.name != name)
    if change.unit == "drop":
        return replace(case, constraints=others)
    own = next(each for each in case.constraints if each.name == name)
    side = "minimum" if own.maximum is None else "maximum"
    loosened = replace(own, **{side: change.becomes})  # type: ignore[arg-type]
    return replace(case, constraints=(*others, loosened))


def _with_rule(case: Case, change: Change) -> Case | None:
    asked = change.requirement
    limit = limit_of(asked.constraint_class)
    rules: list[Rule] = []
    for rule in case.rules:
        if rule.rule_id != asked.rule_id:
            rules.append(rule)
        elif change.unit != "drop":
            if limit is None or not limit.column:
                return None
            becomes = round(change.becomes) if change.unit == "count" else change.becomes
            rules.append(replace(rule, **{limit.column: becomes}))  # type: ignore[arg-type]
        elif asked.product_id:
            others = [
                each.product_id
                for each in case.products
                if rule.governs(each) and each.product_id != asked.product_id
            ]
            if others:
                rules.append(replace(rule, products=tuple(others)))
    return replace(case, rules=tuple(rules))
