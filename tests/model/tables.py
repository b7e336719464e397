"""Cases with one requirement of their tables set to another value, or done without."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

from blend.domain.case import Case
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule

_SHARE_FIELD = {
    ConstraintClass.SHARE_MIN: "min_share",
    ConstraintClass.FAT_MIN: "min_share",
    ConstraintClass.SHARE_MAX: "max_share",
    ConstraintClass.FAT_MAX: "max_share",
}
_PRODUCT_FIELD = {
    ConstraintClass.LEAN_MIN: "tolerance_below_share",
    ConstraintClass.LEAN_MAX: "tolerance_above_share",
    ConstraintClass.VOLUME_MIN: "min_lb",
    ConstraintClass.VOLUME_MAX: "max_lb",
}

_OF_OTHERS = " (others)"


def shuffled(case: Case, random: Random) -> Case:
    """The case with the rows of its tables in another order."""
    tables = {name: getattr(case, name) for name in ("lots", "products", "rules", "losses")}
    return replace(
        case, **{name: tuple(random.sample(rows, len(rows))) for name, rows in tables.items()}
    )


def with_lot(case: Case, lot_id: str, **changes: Any) -> Case:
    lots = tuple(replace(lot, **changes) if lot.lot_id == lot_id else lot for lot in case.lots)
    return replace(case, lots=lots)


def with_product(case: Case, product_id: str, **changes: Any) -> Case:
    products = tuple(
        replace(product, **changes) if product.product_id == product_id else product
        for product in case.products
    )
    return replace(case, products=products)


def with_own_rules(case: Case) -> Case:
    """The same case with what standards bind to written as rules of the plant."""
    return replace(case, rules=case.binding_rules(), standards=())


def _with_rule(case: Case, asked: Requirement, changed: Rule | None) -> Case:
    """One rule changed, or dropped, for the product asked; others keep it as it was."""
    rule = rule_of(case, asked)
    rest = [other for other in case.rules if other is not rule]
    if asked.product_id:
        others = tuple(
            product.product_id
            for product in case.products
            if rule.governs(product) and product.product_id != asked.product_id
        )
        if others:
            rest.append(replace(rule, rule_id=f"{rule.rule_id}{_OF_OTHERS}", products=others))
        if changed is not None:
            changed = replace(changed, products=(asked.product_id,))
    return replace(case, rules=(*rest, *([] if changed is None else [changed])))


def rule_of(case: Case, asked: Requirement) -> Rule:
    products = {asked.product_id} if asked.product_id else set()
    return next(
        rule
        for rule in case.rules
        if rule.rule_id.removesuffix(_OF_OTHERS) == asked.rule_id
        and (not rule.products or products <= set(rule.products))
    )


def value_of(case: Case, asked: Requirement) -> float:
    """The limit as the table holds it."""
    if asked.constraint_class in _PRODUCT_FIELD:
        return getattr(case.product(asked.product_id), _PRODUCT_FIELD[asked.constraint_class])
    if asked.constraint_class is ConstraintClass.SUPPLY:
        return case.lot(asked.lot_id).quantity_lb
    rule = rule_of(case, asked)
    match asked.constraint_class:
        case ConstraintClass.MUST_USE:
            return rule.min_lb
        case ConstraintClass.MAX_LOTS:
            return rule.max_count
    return getattr(rule, _SHARE_FIELD[asked.constraint_class])


def with_value(case: Case, asked: Requirement, value: float) -> Case:
    """The case with another limit in its table."""
    if asked.constraint_class in _PRODUCT_FIELD:
        return with_product(
            case, asked.product_id, **{_PRODUCT_FIELD[asked.constraint_class]: value}
        )
    if asked.constraint_class is ConstraintClass.SUPPLY:
        return with_lot(case, asked.lot_id, quantity_lb=value)
    rule = rule_of(case, asked)
    match asked.constraint_class:
        case ConstraintClass.MUST_USE:
            return _with_rule(case, asked, replace(rule, min_lb=value))
        case ConstraintClass.MAX_LOTS:
            return _with_rule(case, asked, replace(rule, max_count=round(value)))
    return _with_rule(case, asked, replace(rule, **{_SHARE_FIELD[asked.constraint_class]: value}))


def doing_without(case: Case, asked: Requirement) -> Case:
    """The case with a requirement dropped that has no limit to set."""
    match asked.constraint_class:
        case ConstraintClass.BATCH_FILL:
            return with_product(
                case, asked.product_id, blender_min_lb=0.0, blender_max_lb=1_000_000.0
            )
        case ConstraintClass.MIN_PURCHASE:
            return with_lot(case, asked.lot_id, min_purchase_lb=0.0, must_take_all=False)
        case ConstraintClass.WHOLE_CONTAINERS:
            return with_lot(case, asked.lot_id, container="loose", container_lb=None)
    return _with_rule(case, asked, None)
