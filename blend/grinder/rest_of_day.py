"""The rest of the day: what is left to make and to use after the batches written down so far.

Meat that the work order bought is at the plant now: it is stock, counted at what it is worth if
kept, and its offer is used up. To buy more of it, add a lot. Orders are what is still to be made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from blend.domain.case import Case
from blend.domain.lots import ON_HAND, Lot
from blend.domain.plan_pounds import taken
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind, kept_per_lb
from blend.domain.stock import valued
from blend.domain.uncertainty import LeanUncertainty
from blend.grinder.actuals import Actuals, each_batch, written
from blend.grinder.odds import Errors
from blend.output.formats import counted, number, pounds
from blend.output.frames import DataFrame

_MOVED = 0.001
"""Lean of a lot that moved by less is not worth a line."""
_MAX_NAMED = 4


@dataclass(frozen=True)
class RestOfDay:
    """The case of what is left, and how it came about."""

    case: Case
    errors: Mapping[str, LeanUncertainty]
    batches_done: int
    batches_in_all: int
    left_short_lb: Mapping[str, float]
    """By product: pounds of its order too few for another batch, so not made."""
    lean_moved: Mapping[str, tuple[float, float]]
    """By lot: lean before and after the batch tests, where it moved."""
    is_same_input: bool = True

    @property
    def head(self) -> str:
        done = f"{self.batches_done} of {self.batches_in_all} batches are done"
        return f"The rest of the day: {done}."

    def watch(self) -> list[str]:
        lines = [
            f"{self.case.product(product_id).name}: {pounds(lb)} of the order are left, too few for"
            " a batch: not made."
            for product_id, lb in self.left_short_lb.items()
        ]
        if self.lean_moved:
            largest = sorted(
                self.lean_moved.items(), key=lambda each: -abs(each[1][1] - each[1][0])
            )
            named = ", ".join(
                f"{lot_id} {number(100 * was, min_decimals=1, max_decimals=1)} to"
                f" {number(100 * now, min_decimals=1, max_decimals=1)}%"
                for lot_id, (was, now) in largest[:_MAX_NAMED]
            )
            more = len(largest) - _MAX_NAMED
            others = f" and {counted(more, 'more lot')}" if more > 0 else ""
            lines.append(f"Batch tests moved the lean of {named}{others}.")
        if not self.is_same_input:
            lines.append("The tables changed since the work order was printed.")
        return lines


def rest_of_day(
    case: Case, actuals: Actuals, errors: Errors, counted_lb: Mapping[str, float]
) -> RestOfDay:
    """What is left of a day. A batch is done when it has any actual weight or was weighed out;
    boxes left blank in it are taken as planned. `counted_lb` are pounds of lots counted at the
    plant, which go before what the weights leave."""
    own, batches = actuals.done, actuals.batches
    used_lb, planned_lb = _by_lot(own, "into_lb"), _by_lot(actuals.weighed, "planned_lb")
    made_lb = _made_lb(case, own, batches)
    after = actuals.lots_after(errors)
    lean_moved = {
        lot_id: (case.lot(lot_id).lean, lean)
        for lot_id, lean in after.lean.items()
        if abs(lean - case.lot(lot_id).lean) >= _MOVED
    }
    left_short: dict[str, float] = {}
    products = tuple(_left_of(each, made_lb, left_short) for each in case.products)
    lots = tuple(
        _lot_left(case, lot, planned_lb, used_lb, counted_lb.get(lot.lot_id)) for lot in case.lots
    )
    rules = tuple(_rule_left(case, rule, own) for rule in case.rules)
    rest = after.case(replace(case, products=products, lots=lots, rules=rules))
    return RestOfDay(
        rest,
        after.errors,
        int(own["batch"].nunique()),
        len(batches),
        left_short,
        lean_moved,
        actuals.is_same_input,
    )


def _by_lot(lines: DataFrame, column: str) -> dict[str, float]:
    return {str(lot_id): float(lb) for lot_id, lb in lines.groupby("lot_id")[column].sum().items()}


def _made_lb(case: Case, own: DataFrame, batches: DataFrame) -> dict[str, float]:
    """Pounds made by product: as weighed out, else what the weights keep after losses."""
    out_lb = written(batches, "weighed_out_lb")
    made: dict[str, float] = {}
    for product_id, batch, into in each_batch(own):
        product = case.product(product_id)
        kept = (
            lb * sum(kept_per_lb(case.lot(lot_id), product, case.losses))
            for lot_id, lb in into.items()
        )
        lb = out_lb[batch] if batch in out_lb else sum(kept)
        made[product_id] = made.get(product_id, 0.0) + lb
    return made


def _left_of(
    product: Product, made_lb: Mapping[str, float], left_short: dict[str, float]
) -> Product:
    """The product with what is still to be made; none where that is too little for a batch."""
    made = made_lb.get(product.product_id, 0.0)
    if not made:
        return product
    left = max(0.0, product.min_lb - made)
    most = None if product.max_lb is None else max(0.0, product.max_lb - made)
    if left < product.blender_min_lb and (most is not None and most < product.blender_min_lb):
        if left >= 1:
            left_short[product.product_id] = left
        left, most = 0.0, 0.0
    return replace(product, min_lb=left, max_lb=most)


def _lot_left(
    case: Case,
    lot: Lot,
    planned_lb: Mapping[str, float],
    used_lb: Mapping[str, float],
    counted_lb: float | None,
) -> Lot:
    used = used_lb.get(lot.lot_id, 0.0)
    if lot.is_on_hand:
        left = None if lot.quantity_lb is None else max(0.0, lot.quantity_lb - used)
        left = left if counted_lb is None else counted_lb
        return replace(lot, quantity_lb=left, container="loose", container_lb=None)
    planned = max(planned_lb.get(lot.lot_id, 0.0), used)
    if not planned and counted_lb is None:
        return lot
    here = max(0.0, taken(case, lot, planned).pounds_lb - used) if planned else 0.0
    bought = replace(
        lot,
        on_hand_or_offered=ON_HAND,
        quantity_lb=here if counted_lb is None else counted_lb,
        container="loose",
        container_lb=None,
        price_usd_per_lb=lot.delivered_usd_per_lb,
        price_basis="delivered",
        freight_usd_per_lb=0.0,
        replacement_usd_per_lb=lot.delivered_usd_per_lb,
        min_purchase_lb=0.0,
        must_take_all=False,
    )
    return valued(bought, case.settings)


def _rule_left(case: Case, rule: Rule, own: DataFrame) -> Rule:
    """A rule to use up so many pounds asks for those that were not used yet."""
    if rule.kind != RuleKind.MUST_USE or rule.min_lb is None:
        return rule
    used = sum(
        into
        for lot_id, product_id, into in zip(
            own["lot_id"], own["product_id"], own["into_lb"], strict=True
        )
        if rule.lots.holds(case.lot(lot_id)) and rule.governs(case.product(product_id))
    )
    return replace(rule, min_lb=max(0.0, rule.min_lb - used))
