"""Words for requirements, the lots a rule speaks of, verdicts and worths."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from blend.domain.case import Case
from blend.domain.lots import DOMESTIC
from blend.domain.plan import Programme, Step, Verdict
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import Rule
from blend.domain.selectors import Condition, Selector
from blend.domain.standards import Action, StandardRow
from blend.show.amounts import count_of, lean_percent, percent, pounds, printable

VERDICT_WORDS = {
    Verdict.MET: "met exactly",
    Verdict.WITHIN_ROUNDING: "met to within what rounding to whole pounds can move",
    Verdict.BROKEN: "not met; do not use this plan",
    Verdict.WARNING: "passes a limit that the plan is checked against but not made to",
    Verdict.NOTE: "a condition that the tables cannot check; confirm it by hand",
}

STEP_WORDS = {
    Step.LEAN_POINT: "lean point",
    Step.SHARE_POINT: "point of share",
    Step.CWT: "cwt",
    Step.BTU_PER_LB: "Btu/lb",
}

FAMILY_WORDS = {
    Family.MASS: "weight of a blend",
    Family.LEAN_LEAST: "lean, at least",
    Family.LEAN_MOST: "lean, at most",
    Family.VOLUME_LEAST: "order, at least",
    Family.VOLUME_MOST: "order, at most",
    Family.BATCH_FILL: "size of batches",
    Family.SUPPLY: "supply",
    Family.LEAST_PURCHASE: "least purchase",
    Family.WHOLE_CONTAINERS: "whole containers",
    Family.SHARE_LEAST: "share of some meat, at least",
    Family.SHARE_MOST: "share of some meat, at most",
    Family.FAT_LEAST: "fat, at least",
    Family.FAT_MOST: "fat, at most",
    Family.MOST_LOTS: "number of lots",
    Family.LEAST_IF_USED: "least share if used",
    Family.MUST_USE: "meat to be used",
    Family.MUST_NOT_USE: "meat not to be used",
    Family.MAY_HOLD: "species and programmes",
    Family.KEEP_APART: "meats kept apart",
    Family.EQUAL_RECIPE: "one recipe for all batches",
    Family.WARMTH: "warmth",
}
"""Each family of requirements as a heading for all of its kind."""

PROGRAMME_WORDS = {
    Programme.LINEAR: "with containers, counts and batches taken as divisible",
}

CONTAINERS_WORDS = {"combo": "combos", "box": "boxes", "block": "blocks", "loose": "loose"}


def meat_words(selector: Selector) -> str:
    """The lots that a selector means: "frozen beef of at least 85 % lean"."""
    forms, nouns, after = [], [], []
    for condition in selector.conditions:
        if condition.compare == "=" and condition.attribute == "form":
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
    """The row of a published standard that lays the requirement down; None for the rest."""
    for row in case.standards:
        if requirement.rule_id in (row.row_id, f"{row.row_id} on {requirement.product_id}"):
            return row
    return None


def requirement_words(requirement: Requirement, case: Case) -> str:
    """One requirement as its owner would say it, with its number and where it comes from."""
    row = standard_row_of(requirement, case)
    if row is not None and row.action is Action.NOTE:
        return printable(f"{product_name(requirement, case)}: {row.title} ({row.section})")
    text = stated(requirement, case)
    if requirement.rule_id:
        rule = rule_of(requirement, case)
        text += f" ({rule.source or f'rule {rule.rule_id}'})"
    return printable(text)


def stated(requirement: Requirement, case: Case) -> str:
    """The requirement alone, without where it comes from."""
    return _REQUIREMENT[requirement.family](requirement, case)


def product_name(requirement: Requirement, case: Case) -> str:
    if not requirement.product_id:
        return "the products"
    return case.product(requirement.product_id).name


def rule_of(requirement: Requirement, case: Case) -> Rule:
    """The plant's rule that lays the requirement down, or a standard's row as a rule."""
    for rule in case.rules:
        if rule.rule_id == requirement.rule_id:
            return rule
    row = standard_row_of(requirement, case)
    return row.rule_for(case.product(requirement.product_id))


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


_PLACE_WORDS = {"stock": "in stock", "offer": "on offer"}


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
    "form": lambda condition: f"that is not {either(condition.values)}",
    "origin": _where("of", "origin"),
    "supplier": _where("from"),
    "place": _place,
    "container": _container,
    "programme": _where("in programme"),
    "lean_share": _lean_limit,
}
"""Words that follow the noun, for every attribute a selector knows."""


def _mass(requirement: Requirement, case: Case) -> str:
    if not requirement.product_id:
        return f"lot {requirement.lot_id}: no more is used than taken"
    return f"{product_name(requirement, case)}: it weighs what goes in, less the losses"


def _lean_least(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"lean of {product.name} at least {lean_percent(product.least_lean_share)}"


def _lean_most(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"lean of {product.name} at most {lean_percent(product.most_lean_share)}"


def _volume_least(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"order of {product.name}: at least {pounds(product.least_lb)} finished"


def _volume_most(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    return f"order of {product.name}: at most {pounds(product.most_lb_or_infinite)} finished"


def _batch_fill(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    least, most = pounds(product.blender_least_lb), pounds(product.blender_most_lb)
    return f"batches of {product.name} between {least} and {most} finished"


def _supply(requirement: Requirement, case: Case) -> str:
    if not requirement.lot_id:
        return "supply of all lots together"
    lot = case.lot(requirement.lot_id)
    limit = "no limit stated" if lot.quantity_lb is None else pounds(lot.quantity_lb)
    return f"supply of lot {lot.lot_id} ({limit})"


def _least_purchase(requirement: Requirement, case: Case) -> str:
    lot = case.lot(requirement.lot_id)
    if not lot.can_split:
        return f"lot {lot.lot_id} taken whole or not at all ({pounds(lot.most_lb)})"
    return f"lot {lot.lot_id} taken from {pounds(lot.least_purchase_lb)} up or not at all"


def _whole_containers(requirement: Requirement, case: Case) -> str:
    lot = case.lot(requirement.lot_id)
    each = "" if lot.container_lb is None else f" ({pounds(lot.container_lb)} each)"
    into = f" in {product_name(requirement, case)}" if requirement.product_id else ""
    return f"whole {CONTAINERS_WORDS[lot.container]} of lot {lot.lot_id}{into}{each}"


def _share(direction: str, limit: Callable[[Rule], float | None]):
    def words(requirement: Requirement, case: Case) -> str:
        rule = rule_of(requirement, case)
        meat, product = meat_words(rule.lots), product_name(requirement, case)
        return f"{meat} in {product} {direction} {percent(limit(rule))}"

    return words


def _fat(direction: str, limit: Callable[[Rule], float | None]):
    def words(requirement: Requirement, case: Case) -> str:
        share = limit(rule_of(requirement, case))
        return f"fat of {product_name(requirement, case)} {direction} {percent(share)}"

    return words


def _most_lots(requirement: Requirement, case: Case) -> str:
    rule = rule_of(requirement, case)
    lots = count_of(rule.most_count, "lot")
    return f"at most {lots} of {meat_words(rule.lots)} in {product_name(requirement, case)}"


def _least_if_used(requirement: Requirement, case: Case) -> str:
    rule = rule_of(requirement, case)
    product, share = product_name(requirement, case), percent(rule.least_share)
    return f"each lot of {meat_words(rule.lots)} used in {product} at least {share} of it"


def _must_use(requirement: Requirement, case: Case) -> str:
    rule = rule_of(requirement, case)
    least = "all" if rule.least_lb is None else f"at least {pounds(rule.least_lb)}"
    names = [p.name for p in case.products if p.product_id in rule.products]
    into = f" in {either(names)}" if names else ""
    return f"{least} of {meat_words(rule.lots)} used{into}"


def _must_not_use(requirement: Requirement, case: Case) -> str:
    rule = rule_of(requirement, case)
    return f"no {meat_words(rule.lots)} in {product_name(requirement, case)}"


def _may_hold(requirement: Requirement, case: Case) -> str:
    product = case.product(requirement.product_id)
    programmes = "".join(f", in programme {each}" for each in sorted(product.programmes))
    return f"{product.name} holds only {either(sorted(product.species))}{programmes}"


def _keep_apart(requirement: Requirement, case: Case) -> str:
    rule = rule_of(requirement, case)
    meats = f"{meat_words(rule.lots)} and {meat_words(rule.against)}"
    return f"{meats} never together in {product_name(requirement, case)}"


def _warmth(requirement: Requirement, case: Case) -> str:
    most_f = rule_of(requirement, case).most_temperature_f
    return f"{product_name(requirement, case)} no warmer than {most_f:g} °F"


def _equal_recipe(requirement: Requirement, case: Case) -> str:
    return f"every batch of {product_name(requirement, case)} to one recipe"


_REQUIREMENT: dict[Family, Callable[[Requirement, Case], str]] = {
    Family.MASS: _mass,
    Family.LEAN_LEAST: _lean_least,
    Family.LEAN_MOST: _lean_most,
    Family.VOLUME_LEAST: _volume_least,
    Family.VOLUME_MOST: _volume_most,
    Family.BATCH_FILL: _batch_fill,
    Family.SUPPLY: _supply,
    Family.LEAST_PURCHASE: _least_purchase,
    Family.WHOLE_CONTAINERS: _whole_containers,
    Family.SHARE_LEAST: _share("at least", lambda rule: rule.least_share),
    Family.SHARE_MOST: _share("at most", lambda rule: rule.most_share),
    Family.FAT_LEAST: _fat("at least", lambda rule: rule.least_share),
    Family.FAT_MOST: _fat("at most", lambda rule: rule.most_share),
    Family.MOST_LOTS: _most_lots,
    Family.LEAST_IF_USED: _least_if_used,
    Family.MUST_USE: _must_use,
    Family.MUST_NOT_USE: _must_not_use,
    Family.MAY_HOLD: _may_hold,
    Family.KEEP_APART: _keep_apart,
    Family.EQUAL_RECIPE: _equal_recipe,
    Family.WARMTH: _warmth,
}
