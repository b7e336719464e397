"""What items are replaced for, held against the lots in exact fractions and outside the solver.

With `a_l` finished lean and `f_l` finished fat of a pound of lot l, `c_l` its delivered price and
`w_l` the pounds of it put in for a pound of the item (`a`, `f`), a mix does what the item does if

    Σ w_l a_l = a,   Σ w_l f_l = f,   0 <= w_l <= m_l

where `m_l` is what the most share of the finished mix allows of it: s (a + f) / (a_l + f_l). It
costs Σ w_l c_l. For any prices u of lean and v of fat no mix costs less than

    u a + v f - Σ m_l max(0, u a_l + v f_l - c_l)

(weak duality: Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, theorem 4.3,
from memory). Where that is what the mix told costs, it is the cheapest. That there is no mix is
seen without prices: filled up with the leanest, then with the fattest, it stays on one side of
the item, or the lots together may not fill it.

Pounds told are rounded by the solver: to 1e-7 of a pound, and so is what they cost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from blend.check.exact import delivered_usd_per_lb, exact
from blend.domain.lots import Lot
from blend.domain.replacement import Replacement, ReplacementRules
from blend.domain.rules import Loss

NEAR = Fraction(1, 10**6)
"""Pounds and USD, of a pound replaced."""


@dataclass(frozen=True, slots=True)
class ReplacementProof:
    """What exact arithmetic says of the replacements of some items."""

    items: int
    gap_usd_per_lb: float
    """By how much, at most, a cheaper mix could undercut one that is told."""
    faults: tuple[str, ...]
    """What is wrong, in words of the tables; empty when all are right."""

    @property
    def is_sound(self) -> bool:
        return not self.faults


@dataclass(frozen=True, slots=True)
class _Other:
    """A lot that a mix may hold: what a pound of it keeps and costs."""

    lean: Fraction
    fat: Fraction
    costs: Fraction
    maximum: Fraction
    """Pounds of it in a mix for a pound of the item."""

    @property
    def mass(self) -> Fraction:
        return self.lean + self.fat


def prove_replacements(
    lots: Sequence[Lot],
    losses: Iterable[Loss],
    rules: ReplacementRules,
    told: Sequence[Replacement],
) -> ReplacementProof:
    """Hold what every lot is replaced for against the lots; losses of single products are left
    out, as a replacement is for any of them."""
    general = [loss for loss in losses if not loss.products]
    kept = {lot.lot_id: _kept(lot, general) for lot in lots}
    faults: list[str] = []
    gap = Fraction(0)
    if [each.lot_id for each in told] != [lot.lot_id for lot in lots]:
        return ReplacementProof(len(told), 0.0, ("not every lot has its replacement",))
    for item, each in zip(lots, told, strict=True):
        found, off = _faults(item, lots, kept, rules, each)
        faults += [f"{item.lot_id}: {fault}" for fault in found]
        gap = max(gap, off)
    return ReplacementProof(len(told), float(gap), tuple(faults))


def _faults(
    item: Lot,
    lots: Sequence[Lot],
    kept: Mapping[str, tuple[Fraction, Fraction]],
    rules: ReplacementRules,
    told: Replacement,
) -> tuple[list[str], Fraction]:
    faults: list[str] = []
    lean, fat = kept[item.lot_id]
    if abs(Fraction(told.own_usd_per_lb) - delivered_usd_per_lb(item)) > NEAR:
        faults.append("its own price is another")
    others = {}
    for lot in lots:
        if not _may_stand_in(lot, item, rules):
            continue
        own_lean, own_fat = kept[lot.lot_id]
        maximum = exact(rules.max_share) * (lean + fat) / (own_lean + own_fat)
        others[lot.lot_id] = _Other(own_lean, own_fat, delivered_usd_per_lb(lot), maximum)
    if told.usd_per_lb is None:
        if told.mix or told.prices is not None:
            faults.append("replaced by none, and yet by a mix")
        if not _is_out_of_reach(list(others.values()), lean, fat):
            faults.append("that no mix does what it does is not proved")
        return faults, Fraction(0)
    usd = Fraction(told.usd_per_lb)
    faults += _faults_of_mix(others, lean, fat, usd, told)
    if told.prices is None:
        return [*faults, "it has no prices of lean and fat"], Fraction(0)
    lean_usd = Fraction(told.prices.lean_usd_per_lb)
    fat_usd = Fraction(told.prices.fat_usd_per_lb)
    beyond = (
        other.maximum * max(Fraction(0), lean_usd * other.lean + fat_usd * other.fat - other.costs)
        for other in others.values()
    )
    bound = lean_usd * lean + fat_usd * fat - sum(beyond)
    if usd - bound > NEAR:
        faults.append("that no mix costs less is not proved")
    return faults, max(Fraction(0), usd - bound)


def _faults_of_mix(
    others: Mapping[str, _Other], lean: Fraction, fat: Fraction, usd: Fraction, told: Replacement
) -> list[str]:
    faults = []
    parts = [(others.get(part.lot_id), Fraction(part.lb_per_lb)) for part in told.mix]
    if any(other is None for other, _ in parts):
        return ["its mix holds what it may not"]
    if len({part.lot_id for part in told.mix}) < len(told.mix):
        faults.append("its mix holds a lot twice")
    if any(not 0 <= pounds <= other.maximum + NEAR for other, pounds in parts):
        faults.append("its mix holds more or less of a lot than it may")

    def of_mix(amount: Callable[[_Other], Fraction]) -> Fraction:
        return sum((pounds * amount(other) for other, pounds in parts), Fraction(0))

    if abs(of_mix(lambda other: other.lean) - lean) > NEAR:
        faults.append("its mix has another lean")
    if abs(of_mix(lambda other: other.fat) - fat) > NEAR:
        faults.append("its mix has another fat")
    if abs(of_mix(lambda other: other.costs) - usd) > NEAR * max(1, abs(usd)):
        faults.append("its mix does not cost what is told")
    return faults


def _is_out_of_reach(others: Sequence[_Other], lean: Fraction, fat: Fraction) -> bool:
    """Whether any mix of that mass lacks lean, or fat, or cannot be filled."""
    mass = lean + fat

    def maximum(amount: Callable[[_Other], Fraction]) -> Fraction | None:
        """The most that a mix of that mass holds; None where it cannot be filled."""
        left, held = mass, Fraction(0)
        for other in sorted(others, key=lambda other: -amount(other) / other.mass):
            share = min(left, other.maximum * other.mass)
            held += share * amount(other) / other.mass
            left -= share
        return held if left == 0 else None

    leanest, fattest = maximum(lambda other: other.lean), maximum(lambda other: other.fat)
    return leanest is None or fattest is None or leanest < lean or fattest < fat


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
