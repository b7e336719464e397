"""Certificate of substitutes: the cheapest mix with the lean and fat of each lot, from the others.

A mix of pounds w_l for a pound of a lot has its finished lean and fat, and no lot makes more than
the allowed share of it. Prices of lean and of fat certify that no mix costs less. That there is
no mix is seen by filling one with the leanest lots, then with the fattest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

from blend.check.certify import Key, Limit, LinearProgram, certify
from blend.check.findings import Findings
from blend.domain.certificates import Certified
from blend.domain.exact import delivered_usd_per_lb, exact
from blend.domain.lots import Lot
from blend.domain.replacement import Replacement, ReplacementRules
from blend.domain.rules import Loss

NEAR = Fraction(1, 10**6)
"""Pounds and USD, for a pound of the lot; the solver rounds to 1e-7."""
_ZERO = Fraction(0)


def certify_substitutes(
    lots: Sequence[Lot],
    losses: Iterable[Loss],
    rules: ReplacementRules,
    reported: Sequence[Replacement],
) -> Certified:
    """Check the substitute of every lot; `gap_usd` of the result is per pound. Losses of single
    products are left out, as a substitute is for any of them."""
    found = Findings()
    general = [loss for loss in losses if not loss.products]
    kept = {lot.lot_id: _kept(lot, general) for lot in lots}
    found.fault(
        [each.lot_id for each in reported] != [lot.lot_id for lot in lots],
        "not every lot has its substitute",
    )
    for item, each in zip(lots, reported, strict=False):
        off = abs(Fraction(each.own_usd_per_lb) - delivered_usd_per_lb(item))
        found.fault(off > NEAR, f"{item.lot_id}: its own price is another")
        others = {lot.lot_id: lot for lot in lots if _may_stand_in(lot, item, rules)}
        program = _mixes(item, others, kept, rules)
        if each.usd_per_lb is None:
            found.fault(
                bool(each.mix or each.prices) or not _is_out_of_reach(program),
                f"{item.lot_id}: that there is no substitute is not certified",
            )
        else:
            found.faults += [f"{item.lot_id}: {text}" for text in _mix_faults(program, each, found)]
    return found.certified(len(reported))


def _mixes(
    item: Lot,
    others: Mapping[str, Lot],
    kept: Mapping[str, tuple[Fraction, Fraction]],
    rules: ReplacementRules,
) -> LinearProgram:
    mass = sum(kept[item.lot_id])
    limits = [
        Limit(
            (part, side),
            {lot_id: sign * kept[lot_id][at] for lot_id in others},
            sign * kept[item.lot_id][at],
        )
        for at, part in enumerate(("lean", "fat"))
        for side, sign in (("min", 1), ("max", -1))
    ]
    return LinearProgram.of(
        {lot_id: delivered_usd_per_lb(lot) for lot_id, lot in others.items()},
        {lot_id: exact(rules.max_share) * mass / sum(kept[lot_id]) for lot_id in others},
        limits,
    )


def _mix_faults(program: LinearProgram, reported: Replacement, found: Findings) -> Iterable[str]:
    if len({part.lot_id for part in reported.mix}) < len(reported.mix):
        yield "its mix has a lot twice"
    if reported.prices is None:
        yield "it has no prices of lean and fat"
        return
    y: dict[Key, Fraction] = {}
    for part in ("lean", "fat"):
        usd = Fraction(getattr(reported.prices, f"{part}_usd_per_lb"))
        y |= {(part, "min"): usd, (part, "max"): -usd}
    x: dict[Key, Fraction] = {part.lot_id: Fraction(part.lb_per_lb) for part in reported.mix}
    primal, bounded = certify(program, x, y, NEAR, _ZERO)
    if not primal.is_feasible or any(pounds < 0 for pounds in x.values()):
        yield f"its mix is not allowed: {primal.worst}"
    usd = Fraction(reported.usd_per_lb or 0.0)
    if abs(primal.cost - usd) > NEAR * max(1, abs(usd)):
        yield "its mix does not cost what is reported"
    gap = usd - bounded.bound
    found.gap_usd = max(found.gap_usd, gap)
    if gap > NEAR * max(1, abs(usd)):
        yield "a cheaper mix is not ruled out"


def _is_out_of_reach(program: LinearProgram) -> bool:
    """Whether every mix of the item's weight lacks lean, or fat, or cannot be filled."""
    (lean, lean_lb), (fat, fat_lb) = (
        (limit.terms, limit.required or _ZERO) for limit in program.limits[::2]
    )
    maximum = dict(zip(program.groups, program.group_limits, strict=True))

    def is_short_of(part: Mapping[Key, Fraction], needed_lb: Fraction) -> bool:
        """Filled with the lots that have the most of a part, it has less than needed."""
        room_lb, held_lb = lean_lb + fat_lb, _ZERO
        for key in sorted(lean, key=lambda key: -part[key] / (lean[key] + fat[key])):
            mass = lean[key] + fat[key]
            filled_lb = min(room_lb, (maximum[key] or _ZERO) * mass)
            held_lb += filled_lb * part[key] / mass
            room_lb -= filled_lb
        return room_lb > 0 or held_lb < needed_lb

    return is_short_of(lean, lean_lb) or is_short_of(fat, fat_lb)


def _may_stand_in(lot: Lot, item: Lot, rules: ReplacementRules) -> bool:
    return (
        lot.lot_id != item.lot_id
        and lot.species == item.species
        and rules.among.holds(lot)
        and (not rules.keep_label_claims or item.label_claims <= lot.label_claims)
    )


def _kept(lot: Lot, losses: Sequence[Loss]) -> tuple[Fraction, Fraction]:
    lean, fat = exact(lot.lean), 1 - exact(lot.lean)
    for loss in losses:
        if loss.lots.holds(lot):
            lean *= 1 - exact(loss.lean_loss_share)
            fat *= 1 - exact(loss.fat_loss_share)
    return lean, fat
