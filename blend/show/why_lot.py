"""Why a lot is used or not, in a sentence with its numbers and in tables."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.plan import Model
from blend.domain.requirements import ConstraintClass, Requirement
from blend.show.amounts import number_words, pounds, printable
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.words import MODEL_WORDS, requirement_words, standard_row_of
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

if TYPE_CHECKING:
    from blend.grinder.why_lot import InProduct, LotAnswer, RequirementPart

_MIN_USED_LB = 0.5
_OF_LEAN = (
    ConstraintClass.LEAN_MIN,
    ConstraintClass.LEAN_MAX,
    ConstraintClass.FAT_MIN,
    ConstraintClass.FAT_MAX,
)
_OF_SHARE = (ConstraintClass.SHARE_MIN, ConstraintClass.SHARE_MAX)
_HALF_A_CENT_PER_CWT = 0.005 / LB_PER_CWT


def why_lot_words(case: Case, answer: LotAnswer) -> str:
    """The answer in a sentence or two."""
    return printable(f"Lot {answer.lot_id} {_said(case, answer)}")


def _said(case: Case, answer: LotAnswer) -> str:
    delivered = _per_cwt(answer.delivered_usd_per_lb)
    if answer.reason_unusable is not None:
        day = case.settings.plan_on.isoformat()
        return f"cannot be used on {day}: {answer.reason_unusable}."
    if answer.is_used:
        return f"is used: {_uses(case, answer)}. It costs {delivered} delivered; {_leaves(answer)}."
    if answer.best is None:
        return "is not used: no product of today may hold it."
    best = case.product(answer.best.product_id).name
    value = _per_cwt(answer.best.value.usd_per_lb)
    costs = f"is not used: it costs {delivered} delivered, and its next pound is worth {value}"
    return f"{costs} in {best}, which pays most for it; {_enters(answer)}."


def _uses(case: Case, answer: LotAnswer) -> str:
    names = [
        case.product(each.product_id).name
        for each in answer.products
        if each.value is not None and each.value.used_lb > _MIN_USED_LB
    ]
    verb = "goes" if answer.used_lb == 1 else "go"
    return f"{pounds(answer.used_lb)} {verb} into {' and '.join(names) if names else 'blends'}"


def _leaves(answer: LotAnswer) -> str:
    critical = answer.break_even_usd_per_lb
    if critical is None:
        return "it leaves the plan at any price above that"
    if math.isinf(critical):
        return "there is no plan without it, whatever it costs"
    more = critical - answer.delivered_usd_per_lb
    if more < _HALF_A_CENT_PER_CWT:
        return "a cent more and others take its place"
    return f"it leaves the plan above {_per_cwt(critical)}, {_number(more)} more"


def _enters(answer: LotAnswer) -> str:
    critical = answer.break_even_usd_per_lb
    if critical is None:
        return "it would enter the plan at no price above zero"
    less = answer.delivered_usd_per_lb - critical
    if less < _HALF_A_CENT_PER_CWT:
        return "other lots do as well for the same money: a cent less and it enters the plan"
    return f"it enters the plan below {_per_cwt(critical)}, {_number(less)} less"


def why_lot_tables(case: Case, answer: LotAnswer) -> list[ShownTable]:
    """By product what a pound of it is worth, part by part; which may not hold it and why; and
    what it competes with."""
    tables = []
    if answer.best is not None:
        tables += [_by_product(case, answer), _part_by_part(case, answer)]
    if any(each.barred for each in answer.products):
        tables.append(_barred(case, answer))
    if answer.best is not None:
        tables.append(_rivals(case, answer))
    return tables


def _by_product(case: Case, answer: LotAnswer) -> ShownTable:
    parts = ("A finished pound", "Its losses", *_GROUPS.values(), "Worth", "Less delivered")
    columns = (
        ShownColumn("Product"),
        ShownColumn("Used", "lb", Format.WHOLE),
        *(usd_per_cwt_column(part) for part in parts),
    )
    rows = [_product_row(case, answer, each) for each in answer.products if each.value is not None]
    note = (
        f"Delivered at {_per_cwt(answer.delivered_usd_per_lb)}. Worth: what the next pound saves "
        "there, at this plan's prices; not for many pounds. A finished pound: of whatever the "
        "limits ask. Above zero in the last column the lot is used up, at zero it is used "
        "or does as well as others, below zero others do better. "
        f"Reckoned {MODEL_WORDS[Model.LINEAR]}."
    )
    return shown_table(f"What a pound of lot {answer.lot_id} is worth", columns, rows, note)


def _product_row(case: Case, answer: LotAnswer, each: InProduct) -> tuple[Cell, ...]:
    value = each.value
    groups = dict.fromkeys(_GROUPS, 0.0)
    for part in value.requirements:
        groups[_group_of(case, part.requirement)] += part.usd_per_lb
    usd_per_lb = (
        value.finished_usd_per_lb,
        value.losses_usd_per_lb,
        *groups.values(),
        value.usd_per_lb,
        value.usd_per_lb - answer.delivered_usd_per_lb,
    )
    used = value.used_lb if value.used_lb > _MIN_USED_LB else None
    name = case.product(each.product_id).name
    return (name, used, *(number * LB_PER_CWT for number in usd_per_lb))


_GROUPS = {
    "lean": "Its lean",
    "share": "Share rules",
    "standard": "Standards",
    "other": "Other rules",
}


def _group_of(case: Case, requirement: Requirement) -> str:
    if standard_row_of(requirement, case) is not None:
        return "standard"
    if requirement.constraint_class in _OF_LEAN:
        return "lean"
    return "share" if requirement.constraint_class in _OF_SHARE else "other"


def _barred(case: Case, answer: LotAnswer) -> ShownTable:
    columns = (ShownColumn("Product"), ShownColumn("Why"))
    rows = [
        (case.product(each.product_id).name, _reasons(case, answer, each))
        for each in answer.products
        if each.barred
    ]
    return shown_table(f"Products that may not hold lot {answer.lot_id}", columns, rows)


def _reasons(case: Case, answer: LotAnswer, each: InProduct) -> str:
    lot, product, barred = case.lot(answer.lot_id), case.product(each.product_id), each.barred
    reasons = []
    if barred.wrong_species:
        reasons.append(
            f"it is {lot.species}, and only {' or '.join(sorted(product.species))} goes in"
        )
    if barred.lacks_label_claims:
        reasons.append(f"it does not carry {', '.join(barred.lacks_label_claims)}")
    reasons += [requirement_words(requirement, case) for requirement in barred.rules]
    return "; ".join(reasons)


def _part_by_part(case: Case, answer: LotAnswer) -> ShownTable:
    """Of the products that use it, else of the one that pays most."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Part"),
        usd_per_cwt_column("Adds"),
    )
    using = [
        each
        for each in answer.products
        if each.value is not None and each.value.used_lb > _MIN_USED_LB
    ]
    rows: list[tuple[Cell, ...]] = []
    for each in using or [answer.best]:
        name, value = case.product(each.product_id).name, each.value
        told = [
            ("a finished pound", value.finished_usd_per_lb),
            ("what it loses of its weight", value.losses_usd_per_lb),
            *_told(case, value.requirements),
            ("worth", value.usd_per_lb),
            ("less delivered", value.usd_per_lb - answer.delivered_usd_per_lb),
        ]
        rows += [
            (name, words, usd_per_lb * LB_PER_CWT)
            for words, usd_per_lb in told
            if words in _ALWAYS_TOLD or abs(usd_per_lb) >= _HALF_A_CENT_PER_CWT
        ]
    note = (
        "A requirement adds where a pound of the lot is on its better side, and costs where it "
        "is on the other; requirements without a price at this plan are left out."
    )
    title = "Part by part, where it is used" if using else "Part by part, where it is worth most"
    return shown_table(title, columns, rows, note)


_ALWAYS_TOLD = ("worth", "less delivered")


def _told(case: Case, parts: Iterable[RequirementPart]) -> list[tuple[str, float]]:
    return [(requirement_words(part.requirement, case), part.usd_per_lb) for part in parts]


def _rivals(case: Case, answer: LotAnswer) -> ShownTable:
    title = "Without it" if answer.is_used else "If it entered"
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Lean", "%", Format.TENTHS),
        usd_per_cwt_column("Delivered"),
        ShownColumn("Now", "lb", Format.WHOLE),
        ShownColumn("Then", "lb", Format.WHOLE),
        ShownColumn("Change", "lb", Format.WHOLE),
    )
    rows = []
    for each in answer.rivals:
        lot = case.lot(each.lot_id)
        rows.append(
            (
                lot.lot_id,
                lot.item,
                lot.lean * POINTS_PER_SHARE,
                lot.delivered_usd_per_lb * LB_PER_CWT,
                each.now_lb,
                each.then_lb,
                each.then_lb - each.now_lb,
            )
        )
    return shown_table(f"{title}: lots that move", columns, rows, _rivals_note(answer))


def _rivals_note(answer: LotAnswer) -> str:
    if answer.rivals:
        when = "were not there" if answer.is_used else "cost a hair less than where it enters"
        return f"Pounds used in the plan as it is, and if lot {answer.lot_id} {when}."
    if answer.break_even_usd_per_lb is None:
        return "None: it enters at no price."
    return "None: no plan does without it." if math.isinf(answer.break_even_usd_per_lb) else "None."


def _number(usd_per_lb: float) -> str:
    return number_words(usd_per_lb * LB_PER_CWT, min_decimals=2)


def _per_cwt(usd_per_lb: float) -> str:
    return f"{_number(usd_per_lb)} USD/cwt"
