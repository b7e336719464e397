"""A correction of a batch, weighed again and held against what any correction must cost.

Pounds told are taken as the binary fractions that they are, tables as the decimals they tell. Three
things are looked at:

- the batch as it then stands: room, what was taken out, lots at hand and what there is of them,
  steps of the scale or whole containers, rules of the product, fat and how sure its limits are;
- what is told of it: finished pounds, fat, cost, chances;
- that no correction is cheaper. The amounts make a small linear program (`blend.check.small`),
  solved here in fractions and apart from the solver. A limit kept with a probability,

      over · z >= q ‖s z‖,

  implies over · z >= q Σ s² d z / ‖s d‖ for every direction d (Cauchy and Schwarz), so tangents at
  the amounts told, and at those that the small program comes to, replace it: they allow more,
  never less. Where nothing reaches the limits, the small program for a limit a little nearer is
  shown to hold nothing.

Where rules count lots, the program is parted on whether a lot is used, again and again. Whole
steps are left out of it, which only lowers its optimum. So the bound may then lie below the best
correction by some steps; that gap is told, and besides no exchange of a step of one lot for a step
of another may be both allowed and cheaper.

Room is allowed for what the solver leaves open: a ten-thousandth of a pound in what is weighed, a
ten-millionth in a share of fat, and a hundred-thousandth of the cost (so near are limits with a
probability closed).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from statistics import NormalDist

from blend.check.chance import limit_of
from blend.check.exact import delivered_usd_per_lb, exact, kept_of_lb
from blend.check.frame import Frame
from blend.check.small import SmallAnswer, SmallRow, solve_small
from blend.domain.case import Case
from blend.domain.correction import Act, Correction, Terms
from blend.domain.lots import Lot
from blend.domain.rules import Rule, RuleKind
from blend.domain.uncertainty import LeanUncertainty, Sides

NEAR_LB = Fraction(1, 10_000)
NEAR_SHARE = Fraction(1, 10**7)
NEAR_COST_SHARE = Fraction(1, 10**5)
NEAR_QUANTILE = Fraction(1, 10**4)
_MIN_USD = Fraction(1, 10_000)
_NEAR_CHANCE = 1e-6
_MAX_ROUNDS = 12
_MAX_PARTS = 200
_DIGITS = 10**12
_ZERO = Fraction(0)
_COUNTED = (RuleKind.MAX_LOTS, RuleKind.MIN_IF_USED, RuleKind.KEEP_APART)


@dataclass(frozen=True, slots=True)
class CorrectionProof:
    """What exact arithmetic says of a correction."""

    gap_usd: float
    """No correction costs this much less; infinite where it cannot be told."""
    is_closed: bool
    """Whether the gap is no more than rounding: the correction is the cheapest there is, or
    where it falls short, the nearest."""
    faults: tuple[str, ...]

    @property
    def is_sound(self) -> bool:
        return not self.faults


def prove_correction(
    case: Case,
    correction: Correction,
    terms: Terms,
    uncertainty: Mapping[str, LeanUncertainty] | None = None,
) -> CorrectionProof:
    """Hold a correction against the case and the terms it was asked for on."""
    return _Proof(case, correction, terms, uncertainty or {}).prove()


@dataclass(frozen=True, slots=True)
class _Amounts:
    """Pounds of each lot put in, before losses, and pounds taken out."""

    put_in: Mapping[str, Fraction]
    out: Fraction


@dataclass(frozen=True, slots=True)
class _Own:
    """A lot at hand that the product may hold, by the pound put in."""

    lot: Lot
    mass: Fraction
    fat: Fraction
    usd: Fraction
    variance: Fraction
    """Of finished fat, lb² for lb²."""
    step_lb: Fraction
    max_lb: Fraction | None


@dataclass(frozen=True, slots=True)
class _Limits:
    quantile: Fraction
    minimum: Fraction
    maximum: Fraction


@dataclass(frozen=True, slots=True)
class _Part:
    """Corrections that use some lots and do not use some others."""

    used: frozenset[str] = frozenset()
    unused: frozenset[str] = frozenset()


class _Proof:
    def __init__(
        self,
        case: Case,
        told: Correction,
        terms: Terms,
        uncertainty: Mapping[str, LeanUncertainty],
    ) -> None:
        self.case = case.divisible()
        self.product = case.product(told.product_id)
        self.told, self.terms = told, terms
        self.held, self.room = exact(told.held.held_lb), exact(told.held.room_lb)
        self.tested = exact(told.reading.fat_share)
        self.test_variance = exact(told.reading.sd_share) ** 2 / told.reading.readings
        self.rules = [rule for rule in self.case.binding_rules() if rule.governs(self.product)]
        self.minimum = 1 - limit_of(self.case, self.product, Sides.ABOVE)
        self.maximum = 1 - limit_of(self.case, self.product, Sides.BELOW)
        self.own = {each.lot.lot_id: each for each in self._lots(uncertainty)}
        self.dearest = max((each.usd for each in self.own.values()), default=_ZERO)
        asked = terms.confidence
        quantile = 0.0 if asked is None else max(0.0, NormalDist().inv_cdf(0.5 + asked / 2))
        self.quantile = Fraction(math.floor(quantile * 10**9), 10**9)
        self.in_steps = any(each.step_lb for each in self.own.values())
        self.is_loose = self.in_steps
        """Whether the bound may lie below the best correction for another cause than rounding."""
        self.faults: list[str] = []

    def _lots(self, uncertainty: Mapping[str, LeanUncertainty]) -> Iterator[_Own]:
        at_hand = tuple(lot for lot in self.case.lots if lot.lot_id in self.terms.at_hand)
        frame = Frame(replace(self.case, lots=at_hand, products=(self.product,)))
        none = LeanUncertainty("", 0.0, 0.0)
        for place in sorted(frame.products[self.product.product_id].pairs):
            lot = self.case.lot(frame.lots[place].lot_id)
            if lot.reason_unusable(self.case.settings.plan_on) is not None:
                continue
            lean, fat = kept_of_lb(lot, self.product, self.case.losses)
            mass = lean + fat
            spread = uncertainty.get(lot.lot_id, none)
            errors = spread.standard_error_share, spread.container_sd_share
            step = (lot.container_lb if self.terms.whole_containers else None) or self.terms.step_lb
            yield _Own(
                lot=lot,
                mass=mass,
                fat=fat,
                usd=delivered_usd_per_lb(lot),
                variance=mass**2 * sum(exact(error) ** 2 for error in errors),
                step_lb=exact(step or 0.0),
                max_lb=None if lot.quantity_lb is None else exact(lot.quantity_lb),
            )

    def prove(self) -> CorrectionProof:
        told = self.told
        strangers = [each.lot_id for each in told.added if each.lot_id not in self.own]
        if strangers:
            text = f"lot {strangers[0]} is not at hand, or the product may not hold it"
            return CorrectionProof(math.inf, False, (text,))
        put_in: dict[str, Fraction] = {}
        for each in told.added:
            put_in[each.lot_id] = put_in.get(each.lot_id, _ZERO) + Fraction(each.pounds_lb)
        amounts = _Amounts(put_in, Fraction(told.removed_lb))
        self._as_told(amounts)
        self._chances(amounts)
        self.faults += self.misses(amounts)
        if told.act is Act.NOTHING:
            return self._nothing(amounts)
        is_sure = not self.off_limits(amounts, self.quantile)
        if told.act is Act.SHORT:
            gap, is_closed = self._nearest(amounts)
        elif is_sure:
            gap, is_closed = self._cheapest(amounts)
        else:
            gap, is_closed = self._surest(amounts)
        self._retest()
        return CorrectionProof(float(gap), is_closed, tuple(self.faults))

    def _nothing(self, amounts: _Amounts) -> CorrectionProof:
        if amounts.put_in or amounts.out:
            self.faults.append("something is put in or taken out where nothing is to be done")
        if self.off_limits(_Amounts({}, _ZERO), self.quantile):
            self.faults.append("the batch is not within its limits as surely as asked")
        return CorrectionProof(0.0, True, tuple(self.faults))

    # The batch as it then stands

    def finished(self, amounts: _Amounts) -> tuple[Fraction, Fraction, Fraction]:
        """Finished pounds, pounds of fat, and the variance of these."""
        kept = self.held - amounts.out
        finished, fat = kept, kept * self.tested
        variance = self.test_variance * kept**2
        for lot_id, lb in amounts.put_in.items():
            own = self.own[lot_id]
            finished += own.mass * lb
            fat += own.fat * lb
            variance += own.variance * lb**2
        return finished, fat, variance

    def off_limits(
        self, amounts: _Amounts, quantile: Fraction, near_share: Fraction = NEAR_SHARE
    ) -> bool:
        """Whether the fat lies outside its limits, or too near to one of them."""
        finished, fat, variance = self.finished(amounts)
        near = near_share * finished
        for over in (self.maximum * finished - fat, fat - self.minimum * finished):
            if over < -near or (over + near) ** 2 < quantile**2 * variance:
                return True
        return False

    def misses(self, amounts: _Amounts) -> Iterator[str]:
        """What the amounts break, the fat limits left out."""
        finished, _, _ = self.finished(amounts)
        if not self.held - NEAR_LB <= finished <= self.held + self.room + NEAR_LB:
            yield "the batch weighs less than before, or more than there is room for"
        if not -NEAR_LB <= amounts.out <= self.held + NEAR_LB:
            yield "more is taken out than there is"
        if amounts.out > NEAR_LB and not self.terms.may_remove:
            yield "meat is taken out, which is not allowed"
        for lot_id, lb in amounts.put_in.items():
            own = self.own[lot_id]
            if lb < 0 or (own.max_lb is not None and lb > own.max_lb + NEAR_LB):
                yield f"there is not as much of lot {lot_id}"
            if own.step_lb and abs(lb - round(lb / own.step_lb) * own.step_lb) > NEAR_LB:
                yield f"lot {lot_id} is not put in by whole steps"
        used = {lot_id: lb for lot_id, lb in amounts.put_in.items() if lb > NEAR_LB}
        amounts = replace(amounts, put_in=used)
        for rule in self.rules if used or amounts.out else ():
            check = _RULES.get(rule.kind)
            if check is not None and not check(self, rule, amounts, finished):
                yield f"rule {rule.rule_id} is broken"

    def recipe_lots(self) -> list[Lot]:
        recipe = self.told.held.recipe
        return [self.case.lot(each.lot_id) for each in recipe if each.pounds_lb > 0]

    def held_share(self, rule: Rule) -> Fraction:
        """Of the batch in the blender, the share of finished mass that the rule's lots make."""
        chosen = total = _ZERO
        for each in self.told.held.recipe:
            lot = self.case.lot(each.lot_id)
            mass = exact(each.pounds_lb) * sum(kept_of_lb(lot, self.product, self.case.losses))
            total += mass
            chosen += mass if rule.lots.holds(lot) else 0
        return chosen / total

    # What is told

    def _as_told(self, amounts: _Amounts) -> None:
        told = self.told
        finished, fat, _ = self.finished(amounts)
        for each in told.added:
            usd = Fraction(each.pounds_lb) * self.own[each.lot_id].usd
            if abs(usd - Fraction(each.cost_usd)) > _MIN_USD:
                self.faults.append(f"lot {each.lot_id} does not cost what is told")
            container_lb = self.case.lot(each.lot_id).container_lb
            if each.containers is not None:
                told_lb = each.containers * exact(container_lb or 0.0)
                if abs(told_lb - Fraction(each.pounds_lb)) > NEAR_LB:
                    self.faults.append(f"lot {each.lot_id} is not as many containers as told")
        total = sum((Fraction(each.cost_usd) for each in told.added), _ZERO)
        figures = (
            ("what is added", told.cost_usd, total, _MIN_USD),
            ("the finished batch", told.finished_lb, finished, NEAR_LB),
            ("the fat", told.fat_share, fat / finished, NEAR_SHARE / 100),
            ("the least fat", told.min_fat_share, self.minimum, NEAR_SHARE / 100),
            ("the most fat", told.max_fat_share, self.maximum, NEAR_SHARE / 100),
        )
        for name, stated, found, near in figures:
            if abs(Fraction(stated) - found) > near:
                self.faults.append(f"{name} is not what is told")
        if told.asked != self.terms.confidence:
            self.faults.append("the confidence is not the one asked for")
        has_swap = amounts.out > 0
        if has_swap and told.act is Act.ADD:
            self.faults.append("meat is taken out, which is not told")

    def _chances(self, amounts: _Amounts) -> None:
        """Probabilities are of the normal curve, so in floats."""
        before = _Amounts({}, _ZERO)
        pairs = (self.told.sure_before, before), (self.told.sure_after, amounts)
        for stated, stand in pairs:
            if abs(stated - self._sure(stand)) > _NEAR_CHANCE:
                self.faults.append("how sure the limits are is not what is told")

    def _sure(self, amounts: _Amounts) -> float:
        finished, fat, variance = self.finished(amounts)
        share, error = fat / finished, math.sqrt(variance) / float(finished)
        if error == 0:
            near = NEAR_SHARE / 50
            return float(self.minimum - near <= share <= self.maximum + near)
        normal = NormalDist(float(share), error)
        return normal.cdf(float(self.maximum)) - normal.cdf(float(self.minimum))

    def _retest(self) -> None:
        """Another reading is told to be made first only where it is expected to pay."""
        retest, reading = self.told.retest, self.told.reading
        if retest is None:
            if self.told.act is Act.RETEST:
                self.faults.append("why to test again is not told")
            return
        after = reading.sd_share / math.sqrt(reading.readings + 1)
        moves = math.sqrt(max(0.0, float(self.test_variance) - after**2))
        margin = float(self.quantile) * after
        normal = NormalDist(reading.fat_share, moves)
        ends = float(self.minimum) + margin, float(self.maximum) - margin
        clears = max(0.0, normal.cdf(ends[1]) - normal.cdf(ends[0]))
        saving = clears * self.told.cost_usd
        stated = retest.clears, retest.saving_usd, retest.cost_usd
        found = clears, saving, self.terms.test_cost_usd
        if any(abs(a - b) > _NEAR_CHANCE * max(1.0, b) for a, b in zip(stated, found, strict=True)):
            self.faults.append("what another reading brings is not what is told")
        if (self.told.act is Act.RETEST) != (retest.saving_usd > retest.cost_usd):
            self.faults.append("testing again is told where it does not pay, or not where it does")

    # That none is better

    def _cheapest(self, amounts: _Amounts) -> tuple[Fraction, bool]:
        usd = self.usd(amounts)
        answer = self.bounded(self.quantile, self.minimum, self.maximum, [amounts])
        gap = usd - answer.bound
        if answer.is_ruled_out or gap < -self._near(usd):
            self.faults.append("the amounts told keep less than is asked of them")
        if gap > self._near(usd) and not self.is_loose:
            # where hardly any amounts are as sure as asked, a hair of it is worth much
            further = self.quantile * (1 + NEAR_QUANTILE)
            surer = self.bounded(further, self.minimum, self.maximum, [amounts])
            if not surer.is_ruled_out:
                text = f"a correction that costs {float(gap):.4f} USD less is not ruled out"
                self.faults.append(text)
        if self.in_steps:
            self._no_exchange(amounts, usd)
        return max(_ZERO, gap), gap <= self._near(usd)

    def _surest(self, amounts: _Amounts) -> tuple[Fraction, bool]:
        """As sure as can be: told only where nothing keeps the distance asked for."""
        if self.off_limits(amounts, _ZERO):
            self.faults.append("the fat then lies outside its limits")
        if self.told.is_as_sure_as_asked:
            return Fraction(0), False
        answer = self.bounded(self.quantile, self.minimum, self.maximum, [amounts])
        reached = not self.is_loose and answer.x and self._is_allowed(answer)
        if reached and not self.off_limits(self._amounts_of(answer), self.quantile):
            self.faults.append("it could be as sure as asked")
        return Fraction(0), answer.is_ruled_out

    def _nearest(self, amounts: _Amounts) -> tuple[Fraction, bool]:
        """Nothing comes nearer to the limit than what is told."""
        finished, fat, _ = self.finished(amounts)
        reached = fat / finished
        is_inside = self.minimum + NEAR_SHARE <= reached <= self.maximum - NEAR_SHARE
        if is_inside and not self.bounded(_ZERO, self.minimum, self.maximum, []).is_ruled_out:
            self.faults.append("the limits are reached, which is told otherwise")
        steps = (
            own.step_lb * abs(own.fat - reached * own.mass) / finished
            for lot_id, own in self.own.items()
            if lot_id in amounts.put_in or own.mass
        )
        nearer = NEAR_SHARE + (max(steps, default=_ZERO) * (1 + len(amounts.put_in)))
        too_fat = self.tested > self.maximum
        sides = (
            (self.minimum, max(self.maximum, reached - nearer))
            if too_fat
            else (min(self.minimum, reached + nearer), self.maximum)
        )
        answer = self.bounded(_ZERO, *sides, [])
        if not answer.is_ruled_out and not self.is_loose:
            self.faults.append("that nothing comes nearer to the limits is not proved")
        return Fraction(0), answer.is_ruled_out

    def usd(self, amounts: _Amounts) -> Fraction:
        """Cost as it is minimized: meat taken out counts as the dearest lot."""
        put_in = (lb * self.own[lot_id].usd for lot_id, lb in amounts.put_in.items())
        return sum(put_in, _ZERO) + amounts.out * self.dearest

    def _near(self, usd: Fraction) -> Fraction:
        return _MIN_USD + NEAR_COST_SHARE * abs(usd)

    def _no_exchange(self, amounts: _Amounts, usd: Fraction) -> None:
        """No step less of a lot, with or without one more of another, is allowed and cheaper."""
        for less in amounts.put_in:
            for more in (None, *self.own):
                for other in self._exchanged(amounts, less, more):
                    if (
                        self.usd(other) < usd - self._near(usd)
                        and not self.off_limits(other, self.quantile, _ZERO)
                        and next(self.misses(other), None) is None
                    ):
                        what = f"less of lot {less}" + (f", more of {more}" if more else "")
                        self.faults.append(f"a step {what} is allowed and cheaper")
                        return

    def _exchanged(self, amounts: _Amounts, less: str, more: str | None) -> Iterator[_Amounts]:
        if more == less or amounts.put_in[less] < self.own[less].step_lb - NEAR_LB:
            return
        put_in = dict(amounts.put_in)
        put_in[less] -= self.own[less].step_lb
        moved = -self.own[less].step_lb * self.own[less].mass
        if more is not None:
            put_in[more] = put_in.get(more, _ZERO) + self.own[more].step_lb
            moved += self.own[more].step_lb * self.own[more].mass
        put_in = {lot_id: lb for lot_id, lb in put_in.items() if lb > NEAR_LB}
        yield _Amounts(put_in, amounts.out)
        if amounts.out and amounts.out + moved >= 0:
            yield _Amounts(put_in, amounts.out + moved)

    # The small program

    def bounded(
        self,
        quantile: Fraction,
        minimum: Fraction,
        maximum: Fraction,
        tangents_at: Sequence[_Amounts],
    ) -> SmallAnswer:
        """Bound the cost of amounts that keep the limits at a distance, by more and more
        tangents; where rules count lots, by parting on whether a lot is used."""
        owns = list(self.own.values())
        rows = [*self._rows(owns), *self._limits(owns, _ZERO, minimum, maximum, None)]
        for at in tangents_at:
            rows += self._limits(owns, quantile, minimum, maximum, at)
        limits = _Limits(quantile, minimum, maximum)
        best: SmallAnswer | None = None
        open_parts = [_Part()]
        for _ in range(_MAX_PARTS):
            if not open_parts:
                break
            part = open_parts.pop()
            answer = self._bounded_part(rows, limits, part)
            if answer.is_ruled_out or (best is not None and answer.bound >= best.bound):
                continue
            parts = self._parted(answer, part)
            open_parts += parts
            if not parts:
                best = answer
        if open_parts:  # too many: what is left open is bounded together
            self.is_loose = True
            answer = self._bounded_part(rows, limits, _Part())
            best = answer if best is None or answer.bound < best.bound else best
        return best or SmallAnswer(_ZERO, True, ())

    def _bounded_part(self, rows: list[SmallRow], limits: _Limits, part: _Part) -> SmallAnswer:
        """The same for some lots used and others not; tangents found are kept for all parts."""
        owns = list(self.own.values())
        cost = [own.usd for own in owns] + [self.dearest]
        of_part = list(self._part_rows(part, owns))
        answer = solve_small(cost, rows + of_part)
        for _ in range(_MAX_ROUNDS if limits.quantile else 0):
            if not answer.x or not self.off_limits(self._amounts_of(answer), limits.quantile):
                break
            before = answer
            rows += self._limits(
                owns, limits.quantile, limits.minimum, limits.maximum, self._amounts_of(answer)
            )
            answer = solve_small(cost, rows + of_part)
            if answer.x and answer.bound - before.bound <= self._near(answer.bound) / 100:
                break
        return answer

    def _parted(self, answer: SmallAnswer, part: _Part) -> list[_Part]:
        """Two parts, one with a lot that breaks a rule that counts lots and one without it; none
        where no such rule is broken."""
        if not answer.x:
            return []
        amounts = self._amounts_of(answer)
        used = {lot_id: lb for lot_id, lb in amounts.put_in.items() if lb > NEAR_LB}
        amounts = replace(amounts, put_in=used)
        finished, _, _ = self.finished(amounts)
        broken = [
            rule
            for rule in self.rules
            if rule.kind in _COUNTED and not _RULES[rule.kind](self, rule, amounts, finished)
        ]
        undecided = [lot_id for lot_id in used if lot_id not in part.used]
        if not broken or not undecided:
            return []
        lot_id = max(undecided, key=used.__getitem__)
        parts = [_Part(part.used | {lot_id}, part.unused), _Part(part.used, part.unused | {lot_id})]
        return [each for each in parts if self._may_be_used(each.used)]

    def _may_be_used(self, lot_ids: frozenset[str]) -> bool:
        """Whether lots may all be in the batch, how much of each aside."""
        together = _Amounts(dict.fromkeys(lot_ids, Fraction(1)), _ZERO)
        return all(
            _RULES[rule.kind](self, rule, together, _ZERO)
            for rule in self.rules
            if rule.kind in _COUNTED
        )

    def _part_rows(self, part: _Part, owns: Sequence[_Own]) -> Iterator[SmallRow]:
        """None of what is not used; of what is, its least share of the finished batch."""
        held = {lot.lot_id for lot in self.recipe_lots()}
        for at, own in enumerate(owns):
            if own.lot.lot_id in part.unused:
                values = [_ZERO] * (len(owns) + 1)
                values[at] = Fraction(-1)
                yield SmallRow(tuple(values), _ZERO)
            if own.lot.lot_id not in part.used or own.lot.lot_id in held:
                continue
            for rule in self.rules:
                if rule.kind is RuleKind.MIN_IF_USED and rule.lots.holds(own.lot):
                    share = exact(rule.min_share)
                    values = [-share * each.mass for each in owns] + [share]
                    values[at] += own.mass
                    yield SmallRow(tuple(values), share * self.held)

    def _amounts_of(self, answer: SmallAnswer) -> _Amounts:
        *put_in, out = answer.x
        named = zip(self.own, put_in, strict=True)
        return _Amounts({lot_id: lb for lot_id, lb in named if lb}, out)

    def _is_allowed(self, answer: SmallAnswer) -> bool:
        return next(self.misses(self._amounts_of(answer)), None) is None

    def _rows(self, owns: Sequence[_Own]) -> Iterator[SmallRow]:
        masses = [own.mass for own in owns]
        yield SmallRow((*(-mass for mass in masses), Fraction(1)), -self.room)
        yield SmallRow((*masses, Fraction(-1)), _ZERO)
        max_out = self.held if self.terms.may_remove else _ZERO
        yield SmallRow((*([_ZERO] * len(owns)), Fraction(-1)), -max_out)
        for at, own in enumerate(owns):
            if own.max_lb is not None and own.max_lb * own.mass < self.held + self.room:
                values = [_ZERO] * (len(owns) + 1)
                values[at] = Fraction(-1)
                yield SmallRow(tuple(values), -own.max_lb)
        for rule in self.rules:
            if rule.kind is RuleKind.SHARE:
                yield from self._share_rows(rule, owns)

    def _share_rows(self, rule: Rule, owns: Sequence[_Own]) -> Iterator[SmallRow]:
        for limit, sign in ((rule.min_share, 1), (rule.max_share, -1)):
            if limit is None:
                continue
            values = [
                sign * ((1 if rule.lots.holds(own.lot) else 0) - exact(limit)) * own.mass
                for own in owns
            ]
            held = _ZERO
            if self.told.held.recipe:
                held = sign * (self.held_share(rule) - exact(limit))
            yield SmallRow((*values, -held), -held * self.held)

    def _limits(
        self,
        owns: Sequence[_Own],
        quantile: Fraction,
        minimum: Fraction,
        maximum: Fraction,
        tangent_at: _Amounts | None,
    ) -> Iterator[SmallRow]:
        """The two limits on fat, kept at the distance that a tangent asks for."""
        spread = [_ZERO] * (len(owns) + 1)
        if quantile and tangent_at is not None:
            spread = self._tangent(owns, quantile, tangent_at)
        for sign, limit in ((1, maximum), (-1, minimum)):
            over = [sign * (limit * own.mass - own.fat) for own in owns]
            over.append(sign * (limit - self.tested))
            *values, kept = (a - b for a, b in zip(over, spread, strict=True))
            # what is kept is what was held less what is taken out
            yield SmallRow((*values, -kept), -kept * self.held)

    def _tangent(self, owns: Sequence[_Own], quantile: Fraction, at: _Amounts) -> list[Fraction]:
        """q s² d / ‖s d‖ of each lot and of what is kept, a hair too small."""
        held = self.held - at.out
        pounds = [_rounded(at.put_in.get(own.lot.lot_id, _ZERO)) for own in owns] + [_rounded(held)]
        variance = [own.variance for own in owns] + [self.test_variance]
        norm2 = sum((v * lb**2 for v, lb in zip(variance, pounds, strict=True)), _ZERO)
        norm = Fraction(math.isqrt(math.ceil(norm2 * _DIGITS**2)) + 1, _DIGITS)
        return [
            Fraction(math.floor(quantile * v * lb / norm * _DIGITS), _DIGITS)
            for v, lb in zip(variance, pounds, strict=True)
        ]


def _rounded(pounds: Fraction) -> Fraction:
    """Any direction will do, so one that is short to write is taken."""
    return Fraction(round(pounds * 1000), 1000)


# Rules ------------------------------------------------------------------------------------------


def _share(proof: _Proof, rule: Rule, amounts: _Amounts, finished: Fraction) -> bool:
    """For the whole batch where its recipe is known, else for what is put in."""
    chosen = total = _ZERO
    for lot_id, lb in amounts.put_in.items():
        own = proof.own[lot_id]
        total += own.mass * lb
        chosen += own.mass * lb if rule.lots.holds(own.lot) else 0
    if proof.told.held.recipe:
        kept = proof.held - amounts.out
        total, chosen = total + kept, chosen + kept * proof.held_share(rule)
    is_enough = rule.min_share is None or chosen >= exact(rule.min_share) * total - NEAR_LB
    is_few = rule.max_share is None or chosen <= exact(rule.max_share) * total + NEAR_LB
    return is_enough and is_few


def _max_lots(proof: _Proof, rule: Rule, amounts: _Amounts, finished: Fraction) -> bool:
    held = {lot.lot_id for lot in proof.recipe_lots()}
    inside = sum(map(rule.lots.holds, proof.recipe_lots()))
    new = sum(rule.lots.holds(proof.own[lot_id].lot) for lot_id in amounts.put_in.keys() - held)
    return new <= max(0, rule.max_count - inside)


def _min_if_used(proof: _Proof, rule: Rule, amounts: _Amounts, finished: Fraction) -> bool:
    held = {lot.lot_id for lot in proof.recipe_lots()}
    return all(
        proof.own[lot_id].mass * lb >= exact(rule.min_share) * finished - NEAR_LB
        for lot_id, lb in amounts.put_in.items()
        if lot_id not in held and rule.lots.holds(proof.own[lot_id].lot)
    )


def _keep_apart(proof: _Proof, rule: Rule, amounts: _Amounts, finished: Fraction) -> bool:
    new = [proof.own[lot_id].lot for lot_id in amounts.put_in]
    held = proof.recipe_lots()
    sides = (rule.lots, rule.against), (rule.against, rule.lots)
    return not any(
        ours.holds(lot) and theirs.holds(other) and lot.lot_id != other.lot_id
        for ours, theirs in sides
        for lot in new
        for other in (*new, *held)
    )


_RULES = {
    RuleKind.SHARE: _share,
    RuleKind.MAX_LOTS: _max_lots,
    RuleKind.MIN_IF_USED: _min_if_used,
    RuleKind.KEEP_APART: _keep_apart,
}
