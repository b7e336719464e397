"""First expired, first out: of stock that is alike, the plan uses what expires first.

Lots on hand that differ in nothing but lot number, supplier, books and use-by cost the plan the
same, so the solver may take either. This step moves pounds to the earlier use-by, and keeps the
move only where the check and the money are as good as before.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import date

from blend.check.check import check_plan, count_money
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Ingredient, Take, Verdict
from blend.domain.plan_pounds import taken
from blend.domain.rules import WholeContainers
from blend.model.round_plan import RoundedPlan

_MAY_DIFFER = {"lot_id", "item", "supplier", "use_by", "quantity_lb", "books_usd_per_lb",
               "replacement_usd_per_lb", "available_on"}  # fmt: skip
_ALIKE = tuple(each.name for each in fields(Lot) if each.name not in _MAY_DIFFER)
_SAME_USD = 0.005


def first_expired_first(case: Case, plan: RoundedPlan) -> RoundedPlan:
    """The plan with no more stock pulled than is used, and stock that is alike used in the order
    of its use-by dates."""
    plan = replace(plan, takes=tuple(_as_used(case, take) for take in plan.takes))
    by_product = (WholeContainers.PER_PRODUCT, WholeContainers.PER_BATCH)
    if case.constraints or case.settings.whole_containers in by_product:
        return plan  # added limits may name a lot; a product's own containers stay together
    for alike in _alike_stock(case):
        moved = _moved(plan, alike)
        if moved != plan and _is_as_good(case, moved, plan):
            plan = moved
    return plan


def _as_used(case: Case, take: Take) -> Take:
    """Stock that is pulled and not used costs nothing where it expires, so the solver may pull more
    than it needs: no more is pulled than is used, in whole containers."""
    lot = case.lot(take.lot_id)
    if not lot.is_on_hand or lot.salvage_value_usd_per_lb > lot.delivered_usd_per_lb:
        return take
    needed = taken(case, lot, take.used_lb)
    return needed if needed.pounds_lb < take.pounds_lb else take


def _alike_stock(case: Case) -> Iterator[list[Lot]]:
    """Lots on hand that are alike, two or more, those that expire first at the front."""
    selectors = [
        each
        for rule in case.binding_rules()
        for each in (rule.lots, rule.against)
        if each is not None
    ]
    selectors += [loss.lots for loss in case.losses]
    groups: dict[object, list[Lot]] = defaultdict(list)
    for lot in case.usable_lots():
        is_free = lot.quantity_lb is not None and not (lot.must_take_all or lot.min_purchase_lb)
        if lot.is_on_hand and is_free:
            meant = tuple(selector.holds(lot) for selector in selectors)
            groups[meant, tuple(getattr(lot, name) for name in _ALIKE)].append(lot)
    for lots in groups.values():
        if len({lot.use_by for lot in lots}) > 1:
            yield sorted(lots, key=lambda lot: (lot.use_by or date.max, lot.lot_id))


def _moved(plan: RoundedPlan, lots: list[Lot]) -> RoundedPlan:
    ids = [lot.lot_id for lot in lots]
    taken = {take.lot_id: take for take in plan.takes if take.lot_id in ids}
    to_take_lb = sum(take.pounds_lb for take in taken.values())
    left_lb: dict[str, float] = {}
    takes = []
    for lot in lots:
        pounds_lb = min(to_take_lb, lot.max_lb)
        in_containers = any(take.containers is not None for take in taken.values())
        containers = None
        if in_containers and lot.container_lb:
            containers = int(pounds_lb // lot.container_lb)
            pounds_lb = containers * lot.container_lb
        to_take_lb -= pounds_lb
        left_lb[lot.lot_id] = pounds_lb
        takes.append(Take(lot.lot_id, pounds_lb, containers, 0.0))
    if to_take_lb > 0:
        return plan
    runs = tuple(_run_moved(run, left_lb) for run in plan.runs)
    if _used_lb(runs, ids) != _used_lb(plan.runs, ids):
        return plan  # whole pounds of a batch do not come out even
    others = [take for take in plan.takes if take.lot_id not in ids]
    own = [
        replace(take, used_lb=take.pounds_lb - left_lb[take.lot_id])
        for take in takes
        if take.pounds_lb
    ]
    ordered = sorted([*others, *own], key=lambda take: take.lot_id)
    return replace(plan, takes=tuple(ordered), runs=runs)


def _used_lb(runs: tuple[BatchRun, ...], lot_ids: list[str]) -> float:
    return sum(
        run.batches * each.pounds_lb
        for run in runs
        for each in run.ingredients
        if each.lot_id in lot_ids
    )


def _run_moved(run: BatchRun, left_lb: dict[str, float]) -> BatchRun:
    """The run with its pounds of the lots in `left_lb` taken from them in their order."""
    need_lb = sum(each.pounds_lb for each in run.ingredients if each.lot_id in left_lb)
    if not need_lb:
        return run
    own = []
    for lot_id, lb in left_lb.items():
        pounds_lb = min(need_lb, float(lb // run.batches))
        if pounds_lb > 0:
            own.append(Ingredient(lot_id, pounds_lb))
            left_lb[lot_id] -= pounds_lb * run.batches
            need_lb -= pounds_lb
    others = [each for each in run.ingredients if each.lot_id not in left_lb]
    ordered = sorted([*others, *own], key=lambda each: each.lot_id)
    return replace(run, ingredients=tuple(ordered))


def _is_as_good(case: Case, moved: RoundedPlan, plan: RoundedPlan) -> bool:
    def worst(each: RoundedPlan) -> list[Verdict]:
        bad = (Verdict.BROKEN, Verdict.WITHIN_ROUNDING, Verdict.WARNING)
        checks = check_plan(case, each.takes, each.runs, each.shortage_lb)
        return sorted(check.verdict for check in checks if check.verdict in bad)

    def usd(each: RoundedPlan) -> float:
        return count_money(case, each.takes, each.runs, each.shortage_lb).total_usd

    return worst(moved) == worst(plan) and usd(moved) <= usd(plan) + _SAME_USD
