"""Why there is no plan, and the changes that free one, in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import Change, InfeasibleSubset, PlanCertificate, Verdict
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import WholeContainers
from blend.model.rules import limit_of
from blend.output import screen
from blend.output.formats import counted, money, number, percent, pounds, printable, value
from blend.phrases import (
    CONTAINERS_WORDS,
    either,
    lean_percent,
    product_name,
    requirement_words,
    rule_phrase_words,
    standard_row_of,
    stated,
)
from blend.units import POINTS_PER_SHARE


def change_words(change: Change, case: Case) -> str:
    """One change that frees a plan: what to change, from what to what, and the day's cost then.

    `was` and `becomes` are as the tables have them: the tolerance for lean, the limit for the
    rest. They are rounded to the looser side, so that the change shown is enough.
    """
    in_words = _CHANGE.get(change.requirement.constraint_class, _change_rule)
    text = (_give_up if change.unit == "drop" else in_words)(change, case)
    if change.mislabels:
        product = case.product(change.requirement.product_id)
        lowest, label = (lean_percent(product.target_lean - by) for by in (change.becomes, 0.0))
        text += f" (mislabels it: lean down to {lowest} on a product labeled {label})"
    row = standard_row_of(change.requirement, case)
    if row is not None:
        text += f" (not yours to change: {row.section}; only without that label)"
    if change.total_usd is not None:
        text += f": day's cost {money(change.total_usd)}"
    return printable(text)


@dataclass(frozen=True, slots=True)
class InfeasibleWords:
    """Why there is no plan; `alone` and `together` carry their changes."""

    head: str
    infeasible_sets: tuple[str, ...]
    alone: tuple[tuple[Change, str], ...]
    """Any one of these frees it."""
    together: tuple[tuple[Change, str], ...]
    """These free it only together."""
    notes: tuple[str, ...]


ONLY_WHOLE = "They conflict only because containers, counts and batches must be whole."
ANY_ONE = "Any one of these is enough:"
ALL_TOGETHER = "No single change is enough; these together are:"

PAPERS = "A label claim needs the seller's papers: give a lot one only if they show it."


def infeasible_words(infeasible: InfeasibleSubset, case: Case) -> InfeasibleWords:
    """What conflicts, and what frees a plan."""
    infeasible_sets = _infeasible_sets(infeasible.requirements, case)
    if len(infeasible_sets) == 1:
        head = "Can't fill today's orders: no plan meets this."
    else:
        head = f"Can't fill today's orders: no plan meets all {len(infeasible_sets)} of these."
    infeasible_sets += [f"because {kept_out_words(each, case)}" for each in infeasible.kept_out]
    # Making none of a product always works; it is listed only where nothing else does.
    changes = [each for each in infeasible.changes if not _makes_none(each)] or infeasible.changes
    notes = []
    sized = [*infeasible.changes, *infeasible.together]
    if infeasible.is_tried:
        notes = _tried_notes(infeasible)
    elif not infeasible.needs_whole and not all(each.is_whole for each in sized):
        other = "Other sizes" if any(each.is_whole for each in sized) else "Sizes"
        notes = [f"{other} as if combos and batches could be split; whole ones may take more."]
    if any(_asks_for_label_claims(each, case) for each in infeasible.kept_out):
        notes.append(PAPERS)
    return InfeasibleWords(
        head=head,
        infeasible_sets=tuple(infeasible_sets),
        alone=tuple((change, change_words(change, case)) for change in changes),
        together=tuple((change, change_words(change, case)) for change in infeasible.together),
        notes=(ONLY_WHOLE, *notes) if infeasible.needs_whole else tuple(notes),
    )


def _tried_notes(infeasible: InfeasibleSubset) -> list[str]:
    """That the changes were tried, and what became of the others."""
    failed, untried = infeasible.changes_failed, infeasible.changes_untried
    notes = []
    if infeasible.changes or infeasible.together:
        notes.append("Each was planned in whole combos and batches; the cost is that plan's.")
    if failed:
        others = counted(failed, "other change")
        notes.append(
            f"Not listed: {others}, as no plan was found in time or your tables can't hold it."
        )
    if untried:
        notes.append(f"Not listed: {counted(untried, 'change')} not tried in time.")
    return notes


def _asks_for_label_claims(requirement: Requirement, case: Case) -> bool:
    is_claim = requirement.constraint_class is ConstraintClass.MAY_HOLD
    return is_claim and bool(case.product(requirement.product_id).label_claims)


def kept_out_words(requirement: Requirement, case: Case) -> str:
    """What keeps every usable lot out of a product: a rule, its species or its label claims."""
    if requirement.constraint_class is not ConstraintClass.MAY_HOLD:
        return requirement_words(requirement, case)
    product, lots = case.product(requirement.product_id), case.usable_lots()
    alike = [lot for lot in lots if lot.species in product.species]
    lacking = product.label_claims.difference(*(lot.label_claims for lot in alike))
    species = either(sorted(product.species))
    if not alike:
        text = f"no usable lot is {species}, and {product.name} takes nothing else"
    elif lacking:
        text = (
            f"no usable {species} lot carries the claim {either(sorted(lacking))} that every lot "
        )
        text += f"in {product.name} needs{_carried_by_unusable(lacking, product, case)}"
    elif not any(product.label_claims <= lot.label_claims for lot in alike):
        text = f"no usable {species} lot carries every claim that lots in {product.name} need: "
        text += ", ".join(sorted(product.label_claims))
    else:
        text = stated(requirement, case)
    return printable(text)


def _carried_by_unusable(label_claims: frozenset[str], product: Product, case: Case) -> str:
    """Lots that would do on another day."""
    day = case.settings.plan_on
    found = [
        f"{lot.lot_id} does, but {reason}"
        for lot in case.lots
        if lot.species in product.species
        and not lot.label_claims.isdisjoint(label_claims)
        and (reason := lot.reason_unusable(day)) is not None
    ]
    return f" ({'; '.join(found[:_MAX_LOTS_NAMED])})" if found else ""


def infeasible_lines(infeasible: InfeasibleSubset, case: Case) -> list[str]:
    """Why there is no plan, line by line: what conflicts, and what frees one."""
    words = infeasible_words(infeasible, case)
    lines = [words.head, *(_item(each) for each in words.infeasible_sets)]
    lines += [screen.wrapped(note) for note in words.notes if note == ONLY_WHOLE]
    for heading, changes in ((ANY_ONE, words.alone), (ALL_TOGETHER, words.together)):
        if changes:
            lines += [heading, *(_item(phrase) for _, phrase in changes)]
    return lines + [screen.wrapped(note) for note in words.notes if note != ONLY_WHOLE]


def _item(text: str) -> str:
    return screen.wrapped(f"  - {text}", "    ")


def _infeasible_sets(requirements: Sequence[Requirement], case: Case) -> list[str]:
    """Each in words; the supply of many lots as one."""
    supply = [r for r in requirements if r.constraint_class is ConstraintClass.SUPPLY and r.lot_id]
    if len(supply) < _FEWEST_LOTS_AS_ONE:
        return [requirement_words(each, case) for each in requirements]
    others = [requirement_words(each, case) for each in requirements if each not in supply]
    return [*others, printable(_supply_of([case.lot(each.lot_id) for each in supply], case))]


def _supply_of(lots: list[Lot], case: Case) -> str:
    ids = [lot.lot_id for lot in lots[:_MAX_LOTS_NAMED]]
    others = len(lots) - len(ids)
    named = ", ".join(ids) + (f" and {others} more" if others else "")
    return f"supply of {_lots_by_lean(lots, case)}: {named}"


def _lots_by_lean(lots: list[Lot], case: Case) -> str:
    """Which lots these are: all of their species, all above or below some lean, or some."""
    minimum, maximum = (pick(lot.lean for lot in lots) for pick in (min, max))
    ids, species = {lot.lot_id for lot in lots}, {lot.species for lot in lots}
    alike = [lot for lot in case.usable_lots() if lot.species in species]
    count = counted(len(lots), "lot")
    if len(alike) == len(lots):
        return f"all {count} of {', '.join(sorted(species))}"
    if ids == {lot.lot_id for lot in alike if lot.lean >= minimum}:
        return f"{count} at {lean_percent(minimum)} lean or leaner"
    if ids == {lot.lot_id for lot in alike if lot.lean <= maximum}:
        return f"{count} at {lean_percent(maximum)} lean or fatter"
    return f"{count} between {lean_percent(minimum)} and {lean_percent(maximum)} lean"


def _makes_none(change: Change) -> bool:
    return (
        change.requirement.constraint_class is ConstraintClass.VOLUME_MIN
        and change.becomes < _MIN_MADE_LB
    )


def broken_lines(certificate: PlanCertificate, case: Case) -> list[str]:
    """What a plan breaks in its own check, line by line."""
    broken = [check for check in certificate.checks if check.verdict is Verdict.BROKEN]
    lines = [
        f"The plan found breaks {counted(len(broken), 'limit')} when checked by plain arithmetic. "
        "Nothing was written."
    ]
    for check in broken:
        read = value(check.read, check.unit)
        words = f"{requirement_words(check.requirement, case)}: {read} {check.note}"
        lines.append(f"  - {printable(words).strip()}")
    broken_of = {check.requirement.product_id for check in broken}
    if any(_is_coarse(each, certificate) for each in case.products if each.product_id in broken_of):
        lines.append(
            f"Whole pounds are too coarse for batches under {_COARSE_LB} lb: make larger batches."
        )
    elif broken:
        lines.append(
            "No rounding to whole pounds keeps this: widen the limit a little, or make larger or "
            "fewer batches."
        )
    return lines


_COARSE_LB = 100
"""In a lighter batch, half a pound is more than half a lean point."""


def _is_coarse(product: Product, certificate: PlanCertificate) -> bool:
    """Whether a batch of the product is too light for whole pounds."""
    wanted_lb = product.min_lb if product.max_lb is None else product.max_lb
    is_planned_so = any(
        0 < check.read < _COARSE_LB
        for check in certificate.checks
        if check.requirement.constraint_class is ConstraintClass.BATCH_FILL
        and check.requirement.product_id == product.product_id
    )
    return is_planned_so or min(product.blender_max_lb, wanted_lb) < _COARSE_LB


_FEWEST_LOTS_AS_ONE, _MAX_LOTS_NAMED = 3, 6
_MIN_MADE_LB = 1.0
"""Less than this counts as none."""
_DUST = 1e-6
"""What floating point may add to a round number."""


def _up(number: float, decimals: int = 0) -> float:
    return math.ceil(number * 10**decimals - _DUST) / 10**decimals


def _down(number: float, decimals: int = 0) -> float:
    return math.floor(number * 10**decimals + _DUST) / 10**decimals


def _loosen(side: str) -> Callable[[Change, Case], str]:
    def words(change: Change, case: Case) -> str:
        was = number(change.was * POINTS_PER_SHARE, min_decimals=1)
        becomes = number(_up(change.becomes * POINTS_PER_SHARE, 2), min_decimals=1)
        name = product_name(change.requirement, case)
        return f"widen the tolerance {side} target on {name} from {was} to {becomes} lean points"

    return words


def _change_volume_min(change: Change, case: Case) -> str:
    less, name = pounds(_up(change.was - change.becomes)), product_name(change.requirement, case)
    left_lb = _down(change.becomes)
    if not left_lb:
        return f"make no {name}"
    splits = case.settings.whole_containers is WholeContainers.NO
    units = "batches" if splits else "combos and batches"
    fits = f" fits in whole {units}" if change.is_whole else ""
    return f"cut the order of {name} to {pounds(left_lb)} ({less} less{';' if fits else ''}{fits})"


def _change_volume_max(change: Change, case: Case) -> str:
    more, name = pounds(_up(change.becomes - change.was)), product_name(change.requirement, case)
    return f"make {more} more of {name} (up to {pounds(_up(change.becomes))})"


def _change_batch_fill(change: Change, case: Case) -> str:
    name = product_name(change.requirement, case)
    if change.becomes < change.was:
        minimum = pounds(_down(change.becomes))
        return f"allow batches of {name} as small as {minimum}, not {pounds(change.was)}"
    maximum = pounds(_up(change.becomes))
    return f"allow batches of {name} as large as {maximum}, not {pounds(change.was)}"


def _change_supply(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    is_whole = case.settings.whole_containers is not WholeContainers.NO
    if not is_whole or lot.container_lb is None:
        return f"get {pounds(_up(change.becomes - change.was))} more of lot {lot.lot_id}"
    becomes_lb = _up(change.becomes / lot.container_lb) * lot.container_lb
    containers = CONTAINERS_WORDS[lot.container]
    return f"get {pounds(becomes_lb - change.was)} more of lot {lot.lot_id}, in whole {containers}"


def _change_min_purchase(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    if lot.must_take_all:
        return f"take part of lot {lot.lot_id}"
    minimum = pounds(_down(change.becomes))
    return f"let lot {lot.lot_id} be bought from {minimum} up, not {pounds(change.was)}"


def _change_whole_containers(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    return f"break {CONTAINERS_WORDS[lot.container]} of lot {lot.lot_id}"


def _change_rule(change: Change, case: Case) -> str:
    """In the words of the rule's kind."""
    limit = limit_of(change.requirement.constraint_class)
    if limit is None or not limit.change:
        return _give_up(change, case)
    words = rule_phrase_words(change.requirement, case)
    shown = _down if limit.is_min else _up
    if limit.measure == "share":
        share = shown(change.becomes * POINTS_PER_SHARE, 2) / POINTS_PER_SHARE
        words |= {"was": percent(change.was), "becomes": percent(share)}
    elif limit.measure == "count":
        lots = counted(round(change.becomes), "lot")
        words |= {"was": str(round(change.was)), "becomes": lots}
    else:
        less = pounds(_up(abs(change.was - change.becomes)))
        limit_lb = pounds(shown(change.becomes))
        words |= {"was": pounds(change.was), "becomes": limit_lb, "less": less}
    return limit.change.format_map(words)


def _change_added(change: Change, case: Case) -> str:
    shown = _down if change.becomes < change.was else _up
    limits = f"{number(shown(change.becomes))}, not {number(change.was)}"
    return f"set the limit of constraint {change.requirement.rule_id} to {limits}"


def _give_up(change: Change, case: Case) -> str:
    return f"drop the requirement: {stated(change.requirement, case)}"


_CHANGE: dict[str, Callable[[Change, Case], str]] = {
    ConstraintClass.MASS: _give_up,
    ConstraintClass.LEAN_MIN: _loosen("below"),
    ConstraintClass.LEAN_MAX: _loosen("above"),
    ConstraintClass.VOLUME_MIN: _change_volume_min,
    ConstraintClass.VOLUME_MAX: _change_volume_max,
    ConstraintClass.BATCH_FILL: _change_batch_fill,
    ConstraintClass.SUPPLY: _change_supply,
    ConstraintClass.MIN_PURCHASE: _change_min_purchase,
    ConstraintClass.WHOLE_CONTAINERS: _change_whole_containers,
    ConstraintClass.MAY_HOLD: _give_up,
    ConstraintClass.ADDED: _change_added,
}
