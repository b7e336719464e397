"""Cases with one requirement of their tables set to another value, or done without."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

from blend.domain.case import Case
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import Rule

_SHARE_FIELD = {
    Family.SHARE_LEAST: "least_share",
    Family.FAT_LEAST: "least_share",
    Family.SHARE_MOST: "most_share",
    Family.FAT_MOST: "most_share",
}
_PRODUCT_FIELD = {
    Family.LEAN_LEAST: "tolerance_below_share",
    Family.LEAN_MOST: "tolerance_above_share",
    Family.VOLUME_LEAST: "least_lb",
    Family.VOLUME_MOST: "most_lb",
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
    if asked.family in _PRODUCT_FIELD:
        return getattr(case.product(asked.product_id), _PRODUCT_FIELD[asked.family])
    if asked.family is Family.SUPPLY:
        return case.lot(asked.lot_id).quantity_lb
    rule = rule_of(case, asked)
    match asked.family:
        case Family.MUST_USE:
            return rule.least_lb
        case Family.MOST_LOTS:
            return rule.most_count
    return getattr(rule, _SHARE_FIELD[asked.family])


def with_value(case: Case, asked: Requirement, value: float) -> Case:
    """The case with another limit in its table."""
    if asked.family in _PRODUCT_FIELD:
        return with_product(case, asked.product_id, **{_PRODUCT_FIELD[asked.family]: value})
    if asked.family is Family.SUPPLY:
        return with_lot(case, asked.lot_id, quantity_lb=value)
    rule = rule_of(case, asked)
    match asked.family:
        case Family.MUST_USE:
            return _with_rule(case, asked, replace(rule, least_lb=value))
        case Family.MOST_LOTS:
            return _with_rule(case, asked, replace(rule, most_count=round(value)))
    return _with_rule(case, asked, replace(rule, **{_SHARE_FIELD[asked.family]: value}))


def doing_without(case: Case, asked: Requirement) -> Case:
    """The case with a requirement dropped that has no limit to set."""
    match asked.family:
        case Family.BATCH_FILL:
            return with_product(
                case, asked.product_id, blender_least_lb=0.0, blender_most_lb=1_000_000.0
            )
        case Family.LEAST_PURCHASE:
            return with_lot(case, asked.lot_id, least_purchase_lb=0.0, can_split=True)
        case Family.WHOLE_CONTAINERS:
            return with_lot(case, asked.lot_id, container="loose", container_lb=None)
    return _with_rule(case, asked, None)
