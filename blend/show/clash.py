"""Words for why there is no plan, and for the changes that make one possible."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import Change, Clash, Programme, Proof, Verdict
from blend.domain.products import Product
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import WholeContainers
from blend.show.amounts import (
    amount_words,
    count_of,
    lean_percent,
    number_words,
    percent,
    pounds,
    printable,
    usd,
)
from blend.show.words import (
    CONTAINERS_WORDS,
    PROGRAMME_WORDS,
    either,
    meat_words,
    product_name,
    requirement_words,
    rule_of,
    standard_row_of,
    stated,
)
from blend.units import POINTS_PER_SHARE


def change_words(change: Change, case: Case) -> str:
    """One change that makes a plan possible: what to move, from where to where, and the cost then.

    `was` and `becomes` are the numbers that the tables hold: the tolerance for lean, the limit
    for the rest. They are rounded towards the easier side, so that the one told does suffice.
    """
    told = _give_up if change.unit == "drop" else _CHANGE[change.requirement.family]
    text = told(change, case)
    row = standard_row_of(change.requirement, case)
    if row is not None:
        text += f" (not the plant's to ease: {row.section}; only without that label)"
    if change.total_usd is not None:
        verb = "costs" if change.total_usd >= 0 else "earns"
        text += f": the plan then {verb} {usd(abs(change.total_usd))}"
    return printable(text)


@dataclass(frozen=True, slots=True)
class ClashWords:
    """Why there is no plan, for a page; `alone` and `together` keep their changes beside them."""

    head: str
    clashing: tuple[str, ...]
    alone: tuple[tuple[Change, str], ...]
    """Any one of these frees a plan."""
    together: tuple[tuple[Change, str], ...]
    """These free one only together."""
    notes: tuple[str, ...]


ONLY_WHOLE = "They clash only because containers, counts and batches must be whole."
ANY_ONE = "Any one of these changes makes a plan possible:"
ALL_TOGETHER = "No single change makes a plan possible; these do so together:"

PAPERS = "A programme is a claim: let a lot carry it only where the seller's papers bear it out."


def clash_words(clash: Clash, case: Case) -> ClashWords:
    """What clashes, and what would make a plan possible."""
    clashing = _clashing(clash.requirements, case)
    if len(clashing) == 1:
        head = "No plan exists: this cannot be met."
    else:
        head = f"No plan exists: these {len(clashing)} cannot all be met together."
    clashing += [f"the reason: {kept_out_words(each, case)}" for each in clash.kept_out]
    # Not to make a product at all is always open; it is told only where nothing else is.
    changes = [each for each in clash.changes if not _makes_none(each)] or clash.changes
    notes = []
    if (clash.changes or clash.together) and not clash.needs_whole:
        notes = [f"Reckoned {PROGRAMME_WORDS[Programme.LINEAR]}; whole ones may ask for more."]
    if any(_asks_for_programmes(each, case) for each in clash.kept_out):
        notes.append(PAPERS)
    return ClashWords(
        head=head,
        clashing=tuple(clashing),
        alone=tuple((change, change_words(change, case)) for change in changes),
        together=tuple((change, change_words(change, case)) for change in clash.together),
        notes=(ONLY_WHOLE, *notes) if clash.needs_whole else tuple(notes),
    )


def _asks_for_programmes(requirement: Requirement, case: Case) -> bool:
    is_claim = requirement.family is Family.MAY_HOLD
    return is_claim and bool(case.product(requirement.product_id).programmes)


def kept_out_words(requirement: Requirement, case: Case) -> str:
    """What keeps every usable lot out of a product: a rule against them, or that none of them is
    of its species or carries its programmes."""
    if requirement.family is not Family.MAY_HOLD:
        return requirement_words(requirement, case)
    product, lots = case.product(requirement.product_id), case.usable_lots()
    alike = [lot for lot in lots if lot.species in product.species]
    lacking = product.programmes.difference(*(lot.programmes for lot in alike))
    species = either(sorted(product.species))
    if not alike:
        told = f"no usable lot is {species}, and {product.name} holds nothing else"
    elif lacking:
        told = f"no usable lot of {species} carries programme {either(sorted(lacking))}, as "
        told += f"every lot in {product.name} must{_carried_by_unusable(lacking, product, case)}"
    elif not any(product.programmes <= lot.programmes for lot in alike):
        told = f"no usable lot of {species} carries all programmes that every lot in "
        told += f"{product.name} must: {', '.join(sorted(product.programmes))}"
    else:
        told = stated(requirement, case)
    return printable(told)


def _carried_by_unusable(programmes: frozenset[str], product: Product, case: Case) -> str:
    """Lots that would do but for the day, as that may be mended."""
    day = case.settings.plan_on
    found = [
        f"{lot.lot_id} does, but {reason}"
        for lot in case.lots
        if lot.species in product.species
        and not lot.programmes.isdisjoint(programmes)
        and (reason := lot.reason_unusable(day)) is not None
    ]
    return f" ({'; '.join(found[:_MOST_LOTS_NAMED])})" if found else ""


def clash_lines(clash: Clash, case: Case) -> list[str]:
    """Why there is no plan, line by line: what clashes, and what would make one possible."""
    words = clash_words(clash, case)
    lines = [words.head, *(f"  - {each}" for each in words.clashing)]
    lines += [note for note in words.notes if note == ONLY_WHOLE]
    for heading, changes in ((ANY_ONE, words.alone), (ALL_TOGETHER, words.together)):
        if changes:
            lines += [heading, *(f"  - {told}" for _, told in changes)]
    return lines + [note for note in words.notes if note != ONLY_WHOLE]


def _clashing(requirements: Sequence[Requirement], case: Case) -> list[str]:
    """Each in words; the supply of many lots as one."""
    supply = [r for r in requirements if r.family is Family.SUPPLY and r.lot_id]
    if len(supply) < _FEWEST_LOTS_AS_ONE:
        return [requirement_words(each, case) for each in requirements]
    others = [requirement_words(each, case) for each in requirements if each not in supply]
    return [*others, printable(_supply_of([case.lot(each.lot_id) for each in supply], case))]


def _supply_of(lots: list[Lot], case: Case) -> str:
    ids = [lot.lot_id for lot in lots[:_MOST_LOTS_NAMED]]
    others = len(lots) - len(ids)
    named = ", ".join(ids) + (f" and {others} more" if others else "")
    return f"supply of {_lots_by_lean(lots, case)}: {named}"


def _lots_by_lean(lots: list[Lot], case: Case) -> str:
    """Which lots these are: all of their species, all from some lean up or down, or some."""
    least, most = (pick(lot.lean_share for lot in lots) for pick in (min, max))
    ids, species = {lot.lot_id for lot in lots}, {lot.species for lot in lots}
    alike = [lot for lot in case.usable_lots() if lot.species in species]
    count = count_of(len(lots), "lot")
    if len(alike) == len(lots):
        return f"all {count} of {', '.join(sorted(species))}"
    if ids == {lot.lot_id for lot in alike if lot.lean_share >= least}:
        return f"{count} at {lean_percent(least)} lean or leaner"
    if ids == {lot.lot_id for lot in alike if lot.lean_share <= most}:
        return f"{count} at {lean_percent(most)} lean or fatter"
    return f"{count} between {lean_percent(least)} and {lean_percent(most)} lean"


def _makes_none(change: Change) -> bool:
    return change.requirement.family is Family.VOLUME_LEAST and change.becomes < _LEAST_MADE_LB


def broken_lines(proof: Proof, case: Case) -> list[str]:
    """That a plan does not stand its own proof, and what it breaks, line by line."""
    broken = [check for check in proof.checks if check.verdict is Verdict.BROKEN]
    lines = [
        f"The plan that was found breaks {count_of(len(broken), 'requirement')} when held against "
        "them by plain arithmetic; nothing was written."
    ]
    for check in broken:
        read = amount_words(check.read, check.unit)
        words = f"{requirement_words(check.requirement, case)}: {read} {check.note}"
        lines.append(f"  - {printable(words).strip()}")
    broken_of = {check.requirement.product_id for check in broken}
    if any(_is_coarse(each, proof) for each in case.products if each.product_id in broken_of):
        lines.append(
            f"Pounds are weighed whole, too coarse for batches below {_COARSE_LB} lb: "
            "make larger ones."
        )
    elif broken:
        lines.append(
            "Batches are weighed in whole pounds, and no rounding was found that keeps this: "
            "widen the limit a little, or make larger or fewer batches."
        )
    return lines


_COARSE_LB = 100
"""Of a lighter batch, half a pound too much or too little is more than half a lean point."""


def _is_coarse(product: Product, proof: Proof) -> bool:
    """Whether a batch of the product, as planned or for its order, is too light for whole
    pounds."""
    wanted_lb = product.least_lb if product.most_lb is None else product.most_lb
    is_planned_so = any(
        0 < check.read < _COARSE_LB
        for check in proof.checks
        if check.requirement.family is Family.BATCH_FILL
        and check.requirement.product_id == product.product_id
    )
    return is_planned_so or min(product.blender_most_lb, wanted_lb) < _COARSE_LB


_FEWEST_LOTS_AS_ONE, _MOST_LOTS_NAMED = 3, 6
_LEAST_MADE_LB = 1.0
"""Less than this is none."""
_DUST = 1e-6
"""What floating point may have added to a number that is meant to be round."""


def _up(number: float, decimals: int = 0) -> float:
    return math.ceil(number * 10**decimals - _DUST) / 10**decimals


def _down(number: float, decimals: int = 0) -> float:
    return math.floor(number * 10**decimals + _DUST) / 10**decimals


def _loosen(side: str) -> Callable[[Change, Case], str]:
    def words(change: Change, case: Case) -> str:
        was = number_words(change.was * POINTS_PER_SHARE, least_decimals=1)
        becomes = number_words(_up(change.becomes * POINTS_PER_SHARE, 2), least_decimals=1)
        name = product_name(change.requirement, case)
        return f"loosen the tolerance {side} on {name} from {was} to {becomes} lean points"

    return words


def _change_volume_least(change: Change, case: Case) -> str:
    less, name = pounds(_up(change.was - change.becomes)), product_name(change.requirement, case)
    left_lb = _down(change.becomes)
    return f"make {less} less of {name} ({pounds(left_lb)})" if left_lb else f"make no {name}"


def _change_volume_most(change: Change, case: Case) -> str:
    more, name = pounds(_up(change.becomes - change.was)), product_name(change.requirement, case)
    return f"let {more} more of {name} be made ({pounds(_up(change.becomes))})"


def _change_batch_fill(change: Change, case: Case) -> str:
    name = product_name(change.requirement, case)
    if change.becomes < change.was:
        least = pounds(_down(change.becomes))
        return f"let batches of {name} be as small as {least} instead of {pounds(change.was)}"
    most = pounds(_up(change.becomes))
    return f"let batches of {name} be as large as {most} instead of {pounds(change.was)}"


def _change_supply(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    is_whole = case.settings.whole_containers is not WholeContainers.NO
    if not is_whole or lot.container_lb is None:
        return f"{pounds(_up(change.becomes - change.was))} more of lot {lot.lot_id}"
    becomes_lb = _up(change.becomes / lot.container_lb) * lot.container_lb
    containers = CONTAINERS_WORDS[lot.container]
    return f"{pounds(becomes_lb - change.was)} more of lot {lot.lot_id}, in whole {containers}"


def _change_least_purchase(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    if not lot.can_split:
        return f"take part of lot {lot.lot_id}"
    least = pounds(_down(change.becomes))
    return f"take lot {lot.lot_id} from {least} up instead of {pounds(change.was)}"


def _change_whole_containers(change: Change, case: Case) -> str:
    lot = case.lot(change.requirement.lot_id)
    return f"break {CONTAINERS_WORDS[lot.container]} of lot {lot.lot_id}"


def _share_moves(change: Change, shown: Callable[[float, int], float]) -> str:
    becomes = shown(change.becomes * POINTS_PER_SHARE, 2) / POINTS_PER_SHARE
    return f"{percent(becomes)} instead of {percent(change.was)}"


def _change_share(direction: str, shown: Callable[[float, int], float]):
    def words(change: Change, case: Case) -> str:
        meat = meat_words(rule_of(change.requirement, case).lots)
        name = product_name(change.requirement, case)
        return f"let {meat} in {name} be {direction} {_share_moves(change, shown)}"

    return words


def _change_fat(direction: str, shown: Callable[[float, int], float]):
    def words(change: Change, case: Case) -> str:
        name = product_name(change.requirement, case)
        return f"let the fat of {name} be {direction} {_share_moves(change, shown)}"

    return words


def _change_most_lots(change: Change, case: Case) -> str:
    meat = meat_words(rule_of(change.requirement, case).lots)
    lots = f"{count_of(round(change.becomes), 'lot')} instead of {round(change.was)}"
    return f"allow {lots} of {meat} in {product_name(change.requirement, case)}"


def _change_least_if_used(change: Change, case: Case) -> str:
    meat = meat_words(rule_of(change.requirement, case).lots)
    name = product_name(change.requirement, case)
    return f"let each lot of {meat} used in {name} be at least {_share_moves(change, _down)}"


def _change_must_use(change: Change, case: Case) -> str:
    meat = meat_words(rule_of(change.requirement, case).lots)
    less = pounds(_up(change.was - change.becomes))
    return f"use {less} less of {meat} ({pounds(_down(change.becomes))})"


def _give_up(change: Change, case: Case) -> str:
    return f"give up: {stated(change.requirement, case)}"


_CHANGE: dict[Family, Callable[[Change, Case], str]] = {
    Family.MASS: _give_up,
    Family.LEAN_LEAST: _loosen("below"),
    Family.LEAN_MOST: _loosen("above"),
    Family.VOLUME_LEAST: _change_volume_least,
    Family.VOLUME_MOST: _change_volume_most,
    Family.BATCH_FILL: _change_batch_fill,
    Family.SUPPLY: _change_supply,
    Family.LEAST_PURCHASE: _change_least_purchase,
    Family.WHOLE_CONTAINERS: _change_whole_containers,
    Family.SHARE_LEAST: _change_share("at least", _down),
    Family.SHARE_MOST: _change_share("at most", _up),
    Family.FAT_LEAST: _change_fat("at least", _down),
    Family.FAT_MOST: _change_fat("at most", _up),
    Family.MOST_LOTS: _change_most_lots,
    Family.LEAST_IF_USED: _change_least_if_used,
    Family.MUST_USE: _change_must_use,
    Family.MUST_NOT_USE: _give_up,
    Family.MAY_HOLD: _give_up,
    Family.KEEP_APART: _give_up,
    Family.EQUAL_RECIPE: _give_up,
    Family.WARMTH: _give_up,
}
