"""Requirements, rules' lots, verdicts and shadow prices in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from blend.domain.case import Case
from blend.domain.lots import DOMESTIC
from blend.domain.plan import Step, Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule
from blend.domain.selectors import Condition, Selector
from blend.domain.standards import Action, StandardRow
from blend.errors import Problem, did_you_mean
from blend.model.rules import definitions, limit_of
from blend.output.formats import counted, percent, pounds, printable

_MAX_LOTS_NAMED = 6

VERDICT_WORDS = {
    Verdict.MET: "OK",
    Verdict.WITHIN_ROUNDING: "OK after rounding to whole pounds",
    Verdict.BROKEN: "broken; do not use this plan",
    Verdict.WARNING: "over a limit that needs a label or your call",
    Verdict.NOTE: "the tables cannot check it; check it by hand",
}

STEP_WORDS = {
    Step.LEAN_POINT: "lean point",
    Step.SHARE_POINT: "percentage point",
    Step.CWT: "cwt",
    Step.BTU_PER_LB: "Btu/lb",
}

CONSTRAINT_CLASS_WORDS = {
    ConstraintClass.MASS: "batch weights",
    ConstraintClass.LEAN_MIN: "lean, minimum",
    ConstraintClass.LEAN_MAX: "lean, maximum",
    ConstraintClass.VOLUME_MIN: "order, minimum",
    ConstraintClass.VOLUME_MAX: "order, maximum",
    ConstraintClass.BATCH_FILL: "batch size",
    ConstraintClass.SUPPLY: "supply",
    ConstraintClass.MIN_PURCHASE: "minimum purchase",
    ConstraintClass.WHOLE_CONTAINERS: "whole containers",
    ConstraintClass.MAY_HOLD: "species and label claims",
    ConstraintClass.ADDED: "added constraints",
    **{
        limit.constraint_class: limit.heading
        for kind in definitions().values()
        for limit in kind.limits
    },
}
"""Headings of constraint classes; a rule's own is declared with its kind."""

AS_IF_SPLIT = "as if combos and batches could be split"
"""Of what is read from the LP relaxation."""

CONTAINERS_WORDS = {"combo": "combos", "box": "boxes", "block": "blocks", "loose": "loose"}


def lean_percent(share: float) -> str:
    return percent(share, min_decimals=1)


def containers(count: int | None, container: str) -> str:
    """6 combos, 1 box; blank where containers are not counted."""
    return "" if count is None else counted(count, container, CONTAINERS_WORDS[container])


def meat_words(selector: Selector) -> str:
    """The lots a selector picks: "frozen beef of at least 85% lean"."""
    forms, nouns, after = [], [], []
    for condition in selector.conditions:
        if condition.compare == "=" and condition.attribute == "fresh_or_frozen":
            forms.append(either(condition.values))
        elif condition.attribute == "origin" and _is_domestic(condition):
            forms.append("domestic" if condition.compare == "=" else "imported")
        elif condition.compare == "=" and condition.attribute in _NOUNS:
            nouns.append(_NOUNS[condition.attribute](condition.values))
        else:
            after.append(_AFTER[condition.attribute](condition))
    return " ".join(forms + (nouns or ["meat"]) + after)


def _is_domestic(condition: Condition) -> bool:
    return [value.casefold() for value in condition.values] == [DOMESTIC]


def standard_row_of(requirement: Requirement, case: Case) -> StandardRow | None:
    """The row of a published standard that the requirement comes from; None for others."""
    for row in case.standards:
        if requirement.rule_id in (row.row_id, f"{row.row_id} on {requirement.product_id}"):
            return row
    return None


def requirement_words(requirement: Requirement, case: Case) -> str:
    """One requirement in words, with its number and where it comes from."""
    row = standard_row_of(requirement, case)
    if row is not None and row.action is Action.NOTE:
        return printable(f"{product_name(requirement, case)}: {row.title} ({row.section})")
    text = stated(requirement, case)
    if requirement.rule_id and requirement.constraint_class != ConstraintClass.ADDED:
        rule = rule_of(requirement, case)
        text += f" ({rule.source or f'rule {rule.rule_id}'})"
    return printable(text)


def stated(requirement: Requirement, case: Case) -> str:
    """The requirement without where it comes from."""
    limit = limit_of(requirement.constraint_class)
    if limit is not None:
        return limit.phrase.format_map(rule_phrase_words(requirement, case))
    return _REQUIREMENT[requirement.constraint_class](requirement, case)


def rule_phrase_words(requirement: Requirement, case: Case) -> dict[str, str]:
    """The words that a rule's phrases may name in braces."""
    words = {"product": product_name(requirement, case)}
    if not requirement.rule_id:
        return words
    rule = rule_of(requirement, case)
    names = [p.name for p in case.products if p.product_id in rule.products]
    words |= {
        "meat": meat_words(rule.lots),
        "against": "" if rule.against is None else meat_words(rule.against),
        "in_products": f" in {either(names)}" if names else "",
        "min_lb": "all" if rule.min_lb is None else f"at least {pounds(rule.min_lb)}",
    }
    if rule.min_share is not None:
        words["min_share"] = percent(rule.min_share)
    if rule.max_share is not None:
        words["max_share"] = percent(rule.max_share)
    if rule.max_count is not None:
        words["max_count"] = counted(rule.max_count, "lot")
    if rule.max_temp_f is not None:
        words["max_temp_f"] = f"{rule.max_temp_f:g} °F"
    return words


def product_name(requirement: Requirement, case: Case) -> str:
    if not requirement.product_id:
        return "the products"
    return case.product(requirement.product_id).name


def rule_of(requirement: Requirement, case: Case) -> Rule:
    """The plant's rule behind the requirement, or the rule of the standard's row."""
    for rule in case.rules:
        if rule.rule_id == requirement.rule_id:
            return rule
    row = standard_row_of(requirement, case)
    of_standard = None if row is None else row.rule_for(case.product(requirement.product_id))
    if of_standard is None:
        raise KeyError(requirement.rule_id)
    return of_standard


def either(words: Iterable[str]) -> str:
    *others, last = words
    return f"{', '.join(others)} or {last}" if others else last


def _lot_words(ids: tuple[str, ...]) -> str:
    return f"{'lot' if len(ids) == 1 else 'lots'} {either(ids)}"


_SAYS_MEAT = ("meat", "fat", "trim", "skin", "tissue")


def _class_words(classes: tuple[str, ...]) -> str:
    words = either(each.replace("_", " ") for each in classes)
    return words if words.endswith(_SAYS_MEAT) else f"{words} meat"


_NOUNS: dict[str, Callable[[tuple[str, ...]], str]] = {
    "species": either,
    "item": either,
    "meat_class": _class_words,
    "lot": _lot_words,
}


def _where(before: str, after: str = "") -> Callable[[Condition], str]:
    def words(condition: Condition) -> str:
        no = "" if condition.compare == "=" else "not "
        return f"{no}{before} {either(condition.values)} {after}".strip()

    return words


def _other_than(name: Callable[[tuple[str, ...]], str]) -> Callable[[Condition], str]:
    return lambda condition: f"other than {name(condition.values)}"


_PLACE_WORDS = {"on hand": "on hand", "offered": "on offer"}


def _place(condition: Condition) -> str:
    no = "" if condition.compare == "=" else "not "
    return no + either(_PLACE_WORDS.get(place.casefold(), place) for place in condition.values)


def _container(condition: Condition) -> str:
    no = "in " if condition.compare == "=" else "not in "
    return no + either(CONTAINERS_WORDS.get(each.casefold(), each) for each in condition.values)


_COMPARE_WORDS = {
    ">=": "at least ",
    "<=": "at most ",
    ">": "more than ",
    "<": "less than ",
    "=": "",
    "!=": "any but ",
}


def _lean_limit(condition: Condition) -> str:
    limit = percent(float(condition.values[0]))
    return f"of {_COMPARE_WORDS[condition.compare]}{limit} lean"


_AFTER: dict[str, Callable[[Condition], str]] = {
    **{attribute: _other_than(name) for attribute, name in _NOUNS.items()},
    "fresh_or_frozen": lambda condition: f"that is not {either(condition.values)}",
    "origin": _where("of", "origin"),
    "supplier": _where("from"),
    "on_hand_or_offered": _place,
    "container": _container,
    "program": _where("with claim"),
    "lean": _lean_limit,
}
"""Words after the noun, for every attribute of a selector."""


def _mass(requirement: Requirement, case: Case) -> str:
    if not requirement.product_id:
        return f"lot {requirement.lot_id}: used at most what is taken"
    return f"{product_name(requirement, case)}: weight in less losses is weight out"


def _lean_min(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"lean of {product.name} at least {lean_percent(product.min_lean)}"


def _lean_max(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"lean of {product.name} at most {lean_percent(product.max_lean)}"


def _volume_min(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"order of {product.name}: at least {pounds(product.min_lb)} finished"


def _volume_max(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"order of {product.name}: at most {pounds(product.max_lb_or_infinite)} finished"


def _batch_fill(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    minimum, maximum = pounds(product.blender_min_lb), pounds(product.blender_max_lb)
    return f"batches of {product.name} between {minimum} and {maximum} finished"


def _supply(requirement: Requirement, case: Case) -> str:
    if not requirement.lot_id:
        return "supply of all lots"
    lot = case.lot(requirement.lot_id)
    limit = "no limit given" if lot.quantity_lb is None else pounds(lot.quantity_lb)
    return f"supply of lot {lot.lot_id} ({limit})"


def _min_purchase(requirement: Requirement, case: Case) -> str:
    lot = case.lot(requirement.lot_id)
    if lot.must_take_all:
        return f"lot {lot.lot_id} all or none ({pounds(lot.max_lb)})"
    return f"lot {lot.lot_id} {pounds(lot.min_purchase_lb)} or more, or none"


def _whole_containers(requirement: Requirement, case: Case) -> str:
    lot = case.lot(requirement.lot_id)
    each = "" if lot.container_lb is None else f" ({pounds(lot.container_lb)} each)"
    into = f" in {product_name(requirement, case)}" if requirement.product_id else ""
    return f"whole {CONTAINERS_WORDS[lot.container]} of lot {lot.lot_id}{into}{each}"


def _may_hold(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    label_claims = "".join(f" with claim {each}" for each in sorted(product.label_claims))
    return f"{product.name} takes only {either(sorted(product.species))}{label_claims}"


def _added(requirement: Requirement, case: Case) -> str:
    added = next(each for each in case.constraints if each.name == requirement.rule_id)
    return f"added constraint {added.name}: {added}"


_REQUIREMENT: dict[str, Callable[[Requirement, Case], str]] = {
    ConstraintClass.MASS: _mass,
    ConstraintClass.LEAN_MIN: _lean_min,
    ConstraintClass.LEAN_MAX: _lean_max,
    ConstraintClass.VOLUME_MIN: _volume_min,
    ConstraintClass.VOLUME_MAX: _volume_max,
    ConstraintClass.BATCH_FILL: _batch_fill,
    ConstraintClass.SUPPLY: _supply,
    ConstraintClass.MIN_PURCHASE: _min_purchase,
    ConstraintClass.WHOLE_CONTAINERS: _whole_containers,
    ConstraintClass.MAY_HOLD: _may_hold,
    ConstraintClass.ADDED: _added,
}


def unknown_lot(name: str, case: Case) -> Problem:
    """A name that is no lot's: the lots of the item it names, or those named like it."""
    folded = name.casefold()
    of_item = [lot for lot in case.lots if lot.item.casefold() == folded]
    if of_item:
        hint = f"Enter one of its lots: {', '.join(lot.lot_id for lot in of_item)}."
        return Problem("LOT", None, None, f"{name} is an item, not a lot", "", hint)
    like = [
        lot.lot_id
        for lot in case.lots
        if lot.lot_id.casefold().startswith(folded) or folded in lot.item.casefold().split()
    ]
    known = [lot.lot_id for lot in case.lots]
    hint = did_you_mean(name, known) or f"Such as {known[0]}."
    if like:
        others = ", ..." if len(like) > _MAX_LOTS_NAMED else ""
        hint = f"Did you mean {', '.join(like[:_MAX_LOTS_NAMED])}{others}?"
    return Problem("LOT", None, None, name, "a lot_id of your lots", hint)
