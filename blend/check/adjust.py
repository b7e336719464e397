"""Certificate of a batch adjustment: what it comes to, and that none is cheaper.

The adjusted batch is counted again from the lots: room, what was taken out, lots on hand, steps of
the scale or whole containers, rules of the product, fat, and how sure its limits are. Then the
amounts make a small linear program. A limit kept with a probability is replaced by tangents
(`blend.check.conic`) at the amounts reported and at those the program comes to: they allow more,
never less. A solver is asked for prices of that program, and these are certified
(`blend.check.certify`): a bound on its cost, or where nothing meets the limits that nothing does.

Where rules count lots, every set of lots that they allow is bounded. Whole steps are left out,
which only lowers the bound; so besides, no exchange of a step of one lot for a step of another may
be both allowed and cheaper.

Tolerances: a ten-thousandth of a pound, a ten-millionth in a share of fat, and a hundred-thousandth
of the cost (so near limits with a probability are closed).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain, combinations, islice
from statistics import NormalDist

import numpy as np

from blend.check.certify import Key, Limit, LinearProgram, dual, primal
from blend.check.chance import limit_of
from blend.check.conic import Part, cut
from blend.domain.case import Case
from blend.domain.certificates import Certified
from blend.domain.correction import Act, Correction, Terms
from blend.domain.exact import delivered_usd_per_lb, exact, kept_of_lb, reason_barred
from blend.domain.lots import Lot
from blend.domain.plan import Check, Verdict
from blend.domain.plan_pounds import Blend, part_of, plan_pounds
from blend.domain.rules import Rule, RuleKind
from blend.domain.uncertainty import LeanUncertainty, Sides
from blend.model.rules import RuleDefinition, definition_of

NEAR_LB = Fraction(1, 10_000)
NEAR_SHARE = Fraction(1, 10**7)
NEAR_COST_SHARE = Fraction(1, 10**5)
NEAR_QUANTILE = Fraction(1, 10**4)
_MIN_USD = Fraction(1, 10_000)
_NEAR_CHANCE = 1e-6
_MAX_CUTS = 12
_MAX_SETS = 200
_ZERO, _ONE = Fraction(0), Fraction(1)
_KEPT = "what is kept of the batch"
_BOUNDED = (
    RuleKind.SHARE,
    RuleKind.MAX_LOTS,
    RuleKind.MIN_IF_USED,
    RuleKind.KEEP_APART,
    RuleKind.MUST_NOT_USE,
    RuleKind.EQUAL_RECIPE,
)
"""Kinds of rule that the bound takes in; others only raise the cost."""

Solve = Callable[
    [np.ndarray, np.ndarray, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray] | None
]
"""Columns and row prices of the least cost · x with rows · x >= required and 0 <= x <= upper, by
cost, upper, rows and required; None where there is none."""


def certify_adjustment(
    case: Case,
    correction: Correction,
    terms: Terms,
    uncertainty: Mapping[str, LeanUncertainty] | None,
    solve: Solve,
) -> Certified:
    """Check an adjustment against the case and the terms it was asked for on.

    `solve` is asked for prices of linear programs, which are certified, not believed.
    `gap_usd` of the result: no adjustment costs this much less, infinite where that is unknown;
    zero where nothing needs to be done.
    """
    return _Adjustment(case, correction, terms, uncertainty or {}, solve).certify()


@dataclass(frozen=True, slots=True)
class _Amounts:
    """Pounds of each lot put in, before losses, and pounds taken out."""

    put_in: Mapping[str, Fraction]
    out: Fraction


@dataclass(frozen=True, slots=True)
class _Own:
    """A lot on hand that the product may hold; figures are by the pound put in."""

    lot: Lot
    mass: Fraction
    fat: Fraction
    usd: Fraction
    variance: Fraction
    """Of finished fat, lb² for lb², beyond what lots share."""
    shared: tuple[Fraction, ...]
    """Of finished fat, lb for lb, on each error that lots share."""
    step_lb: Fraction
    max_lb: Fraction
    """All there is, or all that there is room for."""


@dataclass(frozen=True, slots=True)
class _Target:
    """Limits on fat, and how many standard deviations are kept from them."""

    minimum: Fraction
    maximum: Fraction
    quantile: Fraction = _ZERO


@dataclass(frozen=True, slots=True)
class _Bounded:
    """No amounts cost less than `usd`, or none are allowed; `at` are those of the optimum."""

    usd: Fraction
    is_infeasible: bool = False
    at: _Amounts | None = None


class _Adjustment:
    def __init__(
        self,
        case: Case,
        reported: Correction,
        terms: Terms,
        uncertainty: Mapping[str, LeanUncertainty],
        solve: Solve,
    ) -> None:
        self.case, self.solve = case.divisible(), solve
        self.product = case.product(reported.product_id)
        self.reported, self.terms = reported, terms
        self.held, self.room = exact(reported.held.held_lb), exact(reported.held.room_lb)
        self.tested = exact(reported.reading.fat_share)
        self.test_variance = exact(reported.reading.sd_share) ** 2 / reported.reading.readings
        self.rules = [rule for rule in self.case.binding_rules() if rule.governs(self.product)]
        self.own = {each.lot.lot_id: each for each in self._lots(uncertainty)}
        self.dearest = max((each.usd for each in self.own.values()), default=_ZERO)
        asked = terms.confidence
        quantile = 0.0 if asked is None else max(0.0, NormalDist().inv_cdf(0.5 + asked / 2))
        self.target = _Target(
            1 - limit_of(self.case, self.product, Sides.ABOVE),
            1 - limit_of(self.case, self.product, Sides.BELOW),
            Fraction(math.floor(quantile * 10**9), 10**9),
        )
        self.recipe_lb = self._recipe_lb()
        self.in_steps = any(each.step_lb for each in self.own.values())
        self.kept_rules = [r for r in self.rules if definition_of(r.kind).holds_for_each_batch]
        self.counted = [rule for rule in self.rules if _is_counted(definition_of(rule.kind))]
        self.at_most = {lot_id: own.max_lb for lot_id, own in self.own.items()} | {_KEPT: self.held}
        self.limits = list(self._limits())
        self.is_loose = self.in_steps or any(r.kind not in _BOUNDED for r in self.kept_rules)
        """Whether the bound may lie below the best adjustment for another cause than rounding."""
        self.faults: list[str] = []

    def _lots(self, uncertainty: Mapping[str, LeanUncertainty]) -> Iterator[_Own]:
        none, day = LeanUncertainty("", 0.0, 0.0), self.case.settings.plan_on
        banned = [rule for rule in self.rules if rule.kind == RuleKind.MUST_NOT_USE]
        for lot in self.case.lots:
            if lot.lot_id not in self.terms.addable or reason_barred(lot, self.product, day):
                continue
            if any(rule.lots.holds(lot) for rule in banned):
                continue
            lean, fat = kept_of_lb(lot, self.product, self.case.losses)
            mass, spread = lean + fat, uncertainty.get(lot.lot_id, none)
            errors = spread.standard_error_share, spread.container_sd_share
            step = (lot.container_lb if self.terms.whole_containers else None) or self.terms.step_lb
            room_lb = (self.held + self.room) / mass
            yield _Own(
                lot=lot,
                mass=mass,
                fat=fat,
                usd=delivered_usd_per_lb(lot),
                variance=mass**2 * sum(exact(error) ** 2 for error in errors),
                shared=tuple(mass * exact(each) for each in spread.shared_error),
                step_lb=exact(step or 0.0),
                max_lb=room_lb if lot.quantity_lb is None else min(room_lb, exact(lot.quantity_lb)),
            )

    def fault(self, is_one: bool, text: str) -> None:
        if is_one:
            self.faults.append(text)

    def certify(self) -> Certified:
        reported, quantile = self.reported, self.target.quantile
        strangers = [each.lot_id for each in reported.added if each.lot_id not in self.own]
        if strangers:
            text = f"lot {strangers[0]} is not on hand, or the product may not hold it"
            return Certified(1, math.inf, (text,))
        put_in: dict[str, Fraction] = {}
        for each in reported.added:
            put_in[each.lot_id] = put_in.get(each.lot_id, _ZERO) + Fraction(each.pounds_lb)
        amounts, before = _Amounts(put_in, Fraction(reported.removed_lb)), _Amounts({}, _ZERO)
        self._as_reported(amounts)
        self.faults += self.misses(amounts)
        gap = _ZERO
        is_closed = True
        if reported.act is Act.NOTHING:
            self.fault(bool(put_in or amounts.out), "meat is moved where nothing is to be done")
            text = "the batch is less sure to be within its limits than required"
            self.fault(self.is_off_limits(before, quantile), text)
        elif reported.act is Act.SHORT:
            is_closed = self._nearest(amounts)
        elif not self.is_off_limits(amounts, quantile):
            gap, is_closed = self._cheapest(amounts)
        else:
            is_closed = self._surest(amounts)
        is_certain = is_closed or gap > 0
        return Certified(1, float(gap) if is_certain else math.inf, tuple(self.faults))

    # The batch as it then is

    def finished(self, amounts: _Amounts) -> tuple[Fraction, Fraction, Fraction]:
        """Finished pounds, pounds of fat, and the variance of these."""
        kept = self.held - amounts.out
        finished, fat, variance = kept, kept * self.tested, self.test_variance * kept**2
        for lot_id, lb in amounts.put_in.items():
            own = self.own[lot_id]
            finished += own.mass * lb
            fat += own.fat * lb
            variance += own.variance * lb**2
        for form in self.shared_forms():
            put_in = ((form[lot_id], lb) for lot_id, lb in amounts.put_in.items() if lot_id in form)
            variance += sum((each * lb for each, lb in put_in), _ZERO) ** 2
        return finished, fat, variance

    def shared_forms(self) -> list[dict[Key, Fraction]]:
        """Of each error that lots share, how much of it a pound of each lot brings."""
        forms: dict[int, dict[Key, Fraction]] = {}
        for lot_id, own in self.own.items():
            for at, loading in enumerate(own.shared):
                forms.setdefault(at, {})[lot_id] = loading
        return list(forms.values())

    def is_off_limits(
        self, amounts: _Amounts, quantile: Fraction, near_share: Fraction = NEAR_SHARE
    ) -> bool:
        """Whether the fat is outside its limits, or too near to one of them."""
        finished, fat, variance = self.finished(amounts)
        near = near_share * finished
        over = self.target.maximum * finished - fat, fat - self.target.minimum * finished
        return any(each < -near or (each + near) ** 2 < quantile**2 * variance for each in over)

    def misses(self, amounts: _Amounts) -> Iterator[str]:
        """What the amounts break, the fat limits left out."""
        x = {**amounts.put_in, _KEPT: self.held - amounts.out}
        columns = dict.fromkeys(self.at_most, _ZERO)
        program = LinearProgram.of(columns, self.at_most, self.limits)
        batch = primal(program, x, NEAR_LB, _ZERO)
        if not batch.is_feasible:
            yield batch.worst
        for lot_id, lb in amounts.put_in.items():
            step_lb = self.own[lot_id].step_lb
            if step_lb and abs(lb - round(lb / step_lb) * step_lb) > NEAR_LB:
                yield f"lot {lot_id} is not put in by whole steps"
        if any(lb > NEAR_LB for lb in amounts.put_in.values()) or amounts.out:
            broken = self.broken(self.kept_rules, self.blend(amounts))
            yield from (f"rule {rule.rule_id} is broken" for rule in broken)

    def _recipe_lb(self) -> dict[str, Fraction]:
        """Pounds of each lot in a finished pound of the batch in the blender, where known."""
        recipe: dict[str, Fraction] = {}
        for each in self.reported.held.recipe:
            if each.pounds_lb > 0:
                recipe[each.lot_id] = recipe.get(each.lot_id, _ZERO) + exact(each.pounds_lb)
        finished_lb = sum((lb * self.mass_of(lot_id) for lot_id, lb in recipe.items()), _ZERO)
        return {lot_id: lb / finished_lb for lot_id, lb in recipe.items()}

    def mass_of(self, lot_id: str) -> Fraction:
        """Finished pounds of a pound of the lot."""
        return sum(kept_of_lb(self.case.lot(lot_id), self.product, self.case.losses), _ZERO)

    def blend(self, amounts: _Amounts) -> Blend:
        """The adjusted batch lot by lot; only what is added where its recipe is not known."""
        kept = self.held - amounts.out
        pounds = {lot_id: lb * kept for lot_id, lb in self.recipe_lb.items()}
        for lot_id, lb in amounts.put_in.items():
            pounds[lot_id] = pounds.get(lot_id, _ZERO) + lb
        lots = ((self.case.lot(lot_id), lb) for lot_id, lb in pounds.items() if lb > NEAR_LB)
        return Blend(tuple(part_of(self.case, self.product, *each, _ZERO) for each in lots))

    def broken(self, rules: Iterable[Rule], blend: Blend) -> list[Rule]:
        """The rules that a batch of that blend breaks, by each rule's own check."""
        product = {self.product.product_id: blend}
        batches = {product_id: [blend] for product_id in product}
        none = plan_pounds(replace(self.case, products=(self.product,)), (), (), {})
        plan = replace(none, batches=batches, totals=product)
        near = NEAR_LB / blend.finished.value if blend.parts else _ZERO
        checks = ((rule, definition_of(rule.kind).check(rule, plan)) for rule in rules)
        return [rule for rule, read in checks if any(_is_broken(one, float(near)) for one in read)]

    # What is reported

    def _as_reported(self, amounts: _Amounts) -> None:
        reported = self.reported
        finished, fat, _ = self.finished(amounts)
        for each in reported.added:
            usd, name = Fraction(each.pounds_lb) * self.own[each.lot_id].usd, f"lot {each.lot_id}"
            off_usd = abs(usd - Fraction(each.cost_usd))
            self.fault(off_usd > _MIN_USD, f"{name} does not cost what is reported")
            if each.containers is not None:
                whole = each.containers * exact(self.case.lot(each.lot_id).container_lb or 0.0)
                is_off = abs(whole - Fraction(each.pounds_lb)) > NEAR_LB
                self.fault(is_off, f"{name} is not as many containers as reported")
        total = sum((Fraction(each.cost_usd) for each in reported.added), _ZERO)
        near = NEAR_SHARE / 100
        for name, stated, right, allowed in (
            ("what is added", reported.cost_usd, total, _MIN_USD),
            ("the finished batch", reported.finished_lb, finished, NEAR_LB),
            ("the fat", reported.fat_share, fat / finished, near),
            ("the least fat", reported.min_fat_share, self.target.minimum, near),
            ("the most fat", reported.max_fat_share, self.target.maximum, near),
            ("the chance before", reported.sure_before, self._sure(_Amounts({}, _ZERO)), None),
            ("the chance after", reported.sure_after, self._sure(amounts), None),
        ):
            room = Fraction(_NEAR_CHANCE) if allowed is None else allowed
            is_off = abs(Fraction(stated) - Fraction(right)) > room
            self.fault(is_off, f"{name} is not what is reported")
        is_other = reported.asked != self.terms.confidence
        self.fault(is_other, "the confidence is not the one asked for")
        is_swap = amounts.out > 0 and reported.act is Act.ADD
        self.fault(is_swap, "meat is taken out, which is not reported")

    def _sure(self, amounts: _Amounts) -> float:
        """The probability of the normal curve, so in floats."""
        finished, fat, variance = self.finished(amounts)
        share, error = fat / finished, math.sqrt(variance) / float(finished)
        minimum, maximum = self.target.minimum, self.target.maximum
        if error == 0:
            near = NEAR_SHARE / 50
            return float(minimum - near <= share <= maximum + near)
        normal = NormalDist(float(share), error)
        return normal.cdf(float(maximum)) - normal.cdf(float(minimum))

    # That none is better

    def _cheapest(self, amounts: _Amounts) -> tuple[Fraction, bool]:
        usd = self.usd(amounts)
        bounded = self.bounded(self.target, [amounts])
        gap = usd - bounded.usd
        is_beaten = bounded.is_infeasible or gap < -_near(usd)
        self.fault(is_beaten, "the amounts reported meet less than is required")
        if gap > _near(usd) and not self.is_loose:
            # where hardly any amounts are as sure as required, a hair of it is worth much
            further = replace(self.target, quantile=self.target.quantile * (1 + NEAR_QUANTILE))
            text = f"an adjustment that costs ${float(gap):.4f} less is not ruled out"
            self.fault(not self.bounded(further, [amounts]).is_infeasible, text)
        if self.in_steps:
            self._no_exchange(amounts, usd)
        return max(_ZERO, gap), gap <= _near(usd)

    def _surest(self, amounts: _Amounts) -> bool:
        """As sure as can be: right only where nothing keeps the distance required."""
        self.fault(self.is_off_limits(amounts, _ZERO), "the fat then lies outside its limits")
        if self.reported.is_as_sure_as_asked:
            return False
        bounded = self.bounded(self.target, [amounts])
        if bounded.at is not None and not self.is_loose:
            is_allowed = next(self.misses(bounded.at), None) is None
            is_sure = not self.is_off_limits(bounded.at, self.target.quantile)
            self.fault(is_allowed and is_sure, "it could be as sure as required")
        return bounded.is_infeasible

    def _nearest(self, amounts: _Amounts) -> bool:
        """Nothing comes closer to the limit than what is reported."""
        finished, fat, _ = self.finished(amounts)
        reached, target = fat / finished, replace(self.target, quantile=_ZERO)
        if target.minimum + NEAR_SHARE <= reached <= target.maximum - NEAR_SHARE:
            is_short = self.bounded(target, []).is_infeasible
            self.fault(not is_short, "the limits are met, which is reported otherwise")
        steps = (own.step_lb * abs(own.fat - reached * own.mass) for own in self.own.values())
        nearer = NEAR_SHARE + max(steps, default=_ZERO) / finished * (1 + len(amounts.put_in))
        if self.tested > target.maximum:
            target = replace(target, maximum=max(target.maximum, reached - nearer))
        else:
            target = replace(target, minimum=min(target.minimum, reached + nearer))
        is_nearest = self.bounded(target, []).is_infeasible
        text = "that nothing comes closer to the limits is not certified"
        self.fault(not is_nearest and not self.is_loose, text)
        return is_nearest

    def usd(self, amounts: _Amounts) -> Fraction:
        """Cost as it is minimized: meat taken out counts as the dearest lot."""
        put_in = (lb * self.own[lot_id].usd for lot_id, lb in amounts.put_in.items())
        return sum(put_in, _ZERO) + amounts.out * self.dearest

    def _no_exchange(self, amounts: _Amounts, usd: Fraction) -> None:
        """No step less of a lot, with or without one more of another, is allowed and cheaper."""
        for less in amounts.put_in:
            for more in (None, *(lot_id for lot_id in self.own if lot_id != less)):
                for other in self._exchanged(amounts, less, more):
                    is_cheaper = self.usd(other) < usd - _near(usd)
                    if (
                        is_cheaper
                        and not self.is_off_limits(other, self.target.quantile, _ZERO)
                        and next(self.misses(other), None) is None
                    ):
                        what = f"less of lot {less}" + (f", more of {more}" if more else "")
                        self.fault(True, f"a step {what} is allowed and cheaper")
                        return

    def _exchanged(self, amounts: _Amounts, less: str, more: str | None) -> Iterator[_Amounts]:
        """A step moved, and where meat is taken out so much more or less of that."""
        put_in = dict(amounts.put_in)
        moved = _ZERO
        for lot_id, sign in ((less, -1), (more, 1)):
            if lot_id is not None:
                step_lb = sign * self.own[lot_id].step_lb
                put_in[lot_id] = put_in.get(lot_id, _ZERO) + step_lb
                moved += step_lb * self.own[lot_id].mass
        if put_in[less] >= -NEAR_LB:
            put_in = {lot_id: lb for lot_id, lb in put_in.items() if lb > NEAR_LB}
            yield _Amounts(put_in, amounts.out)
            if amounts.out and amounts.out + moved >= 0:
                yield _Amounts(put_in, amounts.out + moved)

    # The bound

    def bounded(self, target: _Target, cuts_at: Sequence[_Amounts]) -> _Bounded:
        """Bound the cost of amounts within the target, for every set of lots that may be used."""
        limits = [*self.limits, *self._fat_limits(target, None)]
        for at in cuts_at if target.quantile else ():
            limits += self._fat_limits(target, at)
        found = (self._bounded_with(limits, target, *sets) for sets in self._sets_of_lots())
        allowed = [each for each in found if not each.is_infeasible]
        return min(allowed, key=lambda each: each.usd, default=_Bounded(_ZERO, True))

    def _sets_of_lots(self) -> list[tuple[frozenset[str], frozenset[str]]]:
        """Lots that may be used and lots that are: where rules count lots, every set that those
        allow; too many are bounded together."""
        together = frozenset(self.own), frozenset[str]()
        if not self.counted:
            return [together]
        sizes = (combinations(self.own, size) for size in range(len(self.own) + 1))
        some = list(islice(chain.from_iterable(sizes), _MAX_SETS + 1))
        if len(some) > _MAX_SETS:
            self.is_loose = True
            return [together]
        allowed = [frozenset(used) for used in some if self._may_meet(used)]
        return [(used, used) for used in allowed]

    def _may_meet(self, used: Sequence[str]) -> bool:
        """Whether lots may all be in the batch, how much of each aside."""
        amounts = _Amounts(dict.fromkeys(used, _ONE), _ZERO)
        rules = (rule for rule in self.counted if rule.kind != RuleKind.MIN_IF_USED)
        return not self.broken(rules, self.blend(amounts))

    def _bounded_with(
        self, limits: list[Limit], target: _Target, may: frozenset[str], used: frozenset[str]
    ) -> _Bounded:
        """The same where lots in `may` may be used and those in `used` are; cuts that are found
        are kept for the other sets."""
        at_most = self.at_most | dict.fromkeys(self.own.keys() - may, _ZERO)
        cost = {lot_id: own.usd for lot_id, own in self.own.items()} | {_KEPT: -self.dearest}
        of_lots = list(self._used_limits(used))
        found = _Bounded(_ZERO)
        for _ in range(_MAX_CUTS):
            before = found.usd
            program = LinearProgram.of(cost, at_most, [*limits, *of_lots])
            usd, is_infeasible, x = _solved(program, self.solve)
            if is_infeasible or not x:
                return _Bounded(_ZERO, is_infeasible)
            out = self.held - x.pop(_KEPT)
            at = _Amounts({key: lb for key, lb in x.items() if lb}, out)
            found = _Bounded(max(_ZERO, usd + self.dearest * self.held), at=at)
            is_done = not (target.quantile and self.is_off_limits(at, target.quantile))
            if is_done or (before and found.usd - before <= _near(found.usd) / 100):
                break
            limits += self._fat_limits(target, at)
        return found

    def _used_limits(self, used: frozenset[str]) -> Iterator[Limit]:
        """The minimum share of the batch, after losses, for lots that are used."""
        for rule in self.rules:
            for lot_id in used if rule.kind == RuleKind.MIN_IF_USED else ():
                if rule.lots.holds(self.own[lot_id].lot):
                    yield self._share_limit(rule, exact(rule.min_share), 1, {lot_id})

    def _share_limit(
        self, rule: Rule, share: Fraction, sign: int, chosen: Collection[str]
    ) -> Limit:
        """Lots make at least (sign 1) or at most (-1) a share of the batch, or of what is added
        where its recipe is not known."""
        terms: dict[Key, Fraction] = {
            lot_id: sign * ((lot_id in chosen) - share) * own.mass
            for lot_id, own in self.own.items()
        }
        if self.recipe_lb:
            inside = (lb * self.mass_of(one) for one, lb in self.recipe_lb.items() if one in chosen)
            terms[_KEPT] = sign * (sum(inside, _ZERO) - share)
        return Limit((f"rule {rule.rule_id}", sign, *sorted(chosen)), terms)

    def _limits(self) -> Iterator[Limit]:
        mass = {lot_id: own.mass for lot_id, own in self.own.items()} | {_KEPT: _ONE}
        yield Limit("not lighter", mass, self.held)
        yield Limit("room", {key: -each for key, each in mass.items()}, -self.held - self.room)
        if not self.terms.may_remove:
            yield Limit("nothing out", {_KEPT: _ONE}, self.held)
        for rule in self.rules:
            for share, sign in ((rule.min_share, 1), (rule.max_share, -1)):
                if rule.kind == RuleKind.SHARE and share is not None:
                    chosen = [lot.lot_id for lot in self.case.lots if rule.lots.holds(lot)]
                    yield self._share_limit(rule, exact(share), sign, chosen)

    def _fat_limits(self, target: _Target, cut_at: _Amounts | None) -> Iterator[Limit]:
        """The two limits on fat, at the distance that a cut requires."""
        distance: Mapping[Key, Fraction] = {}
        if cut_at is not None:
            parts: list[Part] = [(own.variance, {key: _ONE}) for key, own in self.own.items()]
            parts.append((self.test_variance, {_KEPT: _ONE}))
            parts += [(_ONE, form) for form in self.shared_forms()]
            # any direction will do, so one that is short to write
            direction = {key: Fraction(round(lb, 3)) for key, lb in cut_at.put_in.items()}
            direction[_KEPT] = Fraction(round(self.held - cut_at.out, 3))
            distance = cut(target.quantile, parts, direction)
        for sign, limit in ((1, target.maximum), (-1, target.minimum)):
            terms = {k: sign * (limit * own.mass - own.fat) for k, own in self.own.items()}
            terms[_KEPT] = sign * (limit - self.tested)
            over = {key: each - distance.get(key, _ZERO) for key, each in terms.items()}
            yield Limit((sign, tuple(over.values())), over)


def _is_counted(kind: RuleDefinition) -> bool:
    """Whether it depends on which lots are used, or on how many."""
    return kind.holds_for_each_batch and type(kind).switched is not RuleDefinition.switched


def _is_broken(check: Check, near: float) -> bool:
    """Broken, by more than a tolerance."""
    below = 0.0 if check.minimum is None else check.minimum - check.read
    above = 0.0 if check.maximum is None else check.read - check.maximum
    return check.verdict is Verdict.BROKEN and not abs(max(below, above)) <= near


def _near(usd: Fraction) -> Fraction:
    return _MIN_USD + NEAR_COST_SHARE * abs(usd)


def _solved(program: LinearProgram, solve: Solve) -> tuple[Fraction, bool, dict[str, Fraction]]:
    """A certified bound, whether it is certified that nothing is allowed, and the optimum.

    Prices come from a solver and are not believed. Where it finds nothing allowed, they are those
    of the least that the limits would have to give.
    """
    keys, limits = list(program.groups), program.limits
    usd = program.cost.astype(float) / program.cost_unit
    rows = np.array([[float(limit.terms.get(key, 0)) for key in keys] for limit in limits])
    required = np.array([float(limit.required or 0) for limit in limits])
    upper = np.array([math.inf if most is None else float(most) for most in program.group_limits])
    if (found := solve(usd, upper, rows, required)) is not None:
        amounts, prices = found
        x = {key: Fraction(lb) for key, lb in zip(keys, amounts.tolist(), strict=True)}
        return _bound(program, prices), False, x
    give = len(limits)
    found = solve(
        np.concatenate((np.zeros(len(keys)), np.ones(give))),
        np.concatenate((upper, np.full(give, math.inf))),
        np.hstack([rows, np.eye(give)]),
        required,
    )
    nothing = replace(program, cost=program.cost * 0)
    return _ZERO, found is not None and _bound(nothing, found[1]) > 0, {}


def _bound(program: LinearProgram, prices: np.ndarray) -> Fraction:
    named = zip(program.limits, prices.tolist(), strict=True)
    return dual(program, {limit.key: Fraction(usd) for limit, usd in named}).bound
