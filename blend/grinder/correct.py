"""An off-spec batch in the blender: what to add or take out, or whether to test again first.

Mass balance, finished pounds: from W lb at fat f, take R out and put x of each lot in,

    finished = W − R + Σ yield · x,    fat = f (W − R) + Σ fat yield · x.

With one lot of fat c and an exact target t that is Pearson's square: W (f − t) / (t − c) lb to
add, or W (f − t) / (f − c) lb to swap. Meat taken out has the batch's fat. The cheapest fix is
chosen; meat taken out is charged at the most expensive lot's price, so that no more than
necessary is taken out.

The tested fat is itself an estimate: its standard error is that of one test over the square root
of their number. With a confidence asked for, the adjusted batch keeps a margin from its limits
that covers this error and those of the lots; where no such margin can be kept, the largest one
that can. The rules of the recipe (`blend.model.rules`) hold for the whole batch when its recipe is
known, else for what is added.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import isfinite, sqrt
from statistics import NormalDist

import numpy as np

from blend.domain.case import Case
from blend.domain.correction import Act, Added, Correction, Held, Obstacle, Reading, Retest, Terms
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import kept_per_lb
from blend.domain.standards import Action
from blend.domain.uncertainty import LeanUncertainty
from blend.errors import SolverTrouble
from blend.model.arrays import Columns, Model, Rows
from blend.model.build import ModelBuilder, add_rules
from blend.model.chance_constraints import loadings
from blend.model.cone import Cone
from blend.model.rules import definition_of
from blend.model.sets import IndexSets, index_sets
from blend.model.solver import Outcome
from blend.model.tangents import ConicLinear
from blend.model.tighten import lean_limits
from blend.model.whole_cones import solve_conic_whole

_MIN_LB = 1e-6
_MIN_SHARE = 1e-9
_REACHED = 1e-10
_STEPS = 24
_GAP_SHARE = 1e-6
_TIME_LIMIT_S = 20.0
_AS_SHARES = (
    "Recipe rules apply only to what you add: the recipe in the blender is not known"
    " (--as-planned says it is the plan's)."
)


def correct_batch(
    case: Case,
    product_id: str,
    held: Held,
    reading: Reading,
    terms: Terms,
    uncertainty: Mapping[str, LeanUncertainty] | None = None,
) -> Correction:
    """The cheapest way to bring one batch into spec, or the advice to leave it or test it again.

    Lots without an entry in `uncertainty` are taken as exact. Raises KeyError for a product or a
    lot of the recipe that is not in the case.
    """
    case = case.divisible()
    product = case.product(product_id)
    job = _Job(case, product, held, reading, terms, uncertainty or {})
    quantile = job.quantile
    if job.is_within(quantile):
        return job.correction(Act.NOTHING, np.zeros(0), 0.0)
    x = job.solve(quantile)
    if x is None and quantile > 0:
        x = job.surest(quantile)
    if x is None:
        x = job.nearest()
        return job.correction(Act.SHORT, *x)
    act = Act.SWAP if x[1] > _MIN_LB else Act.ADD
    correction = job.correction(act, *x)
    retest = job.retest(quantile, correction.cost_usd)
    if retest is not None and retest.saving_usd > retest.cost_usd:
        return replace(correction, act=Act.RETEST, retest=retest)
    return replace(correction, retest=retest)


Amounts = tuple[np.ndarray, float]
"""Pounds of each pair of lot and product, and pounds taken out."""


class _Job:
    """One batch, with everything that does not change from solve to solve."""

    def __init__(
        self,
        case: Case,
        product: Product,
        held: Held,
        reading: Reading,
        terms: Terms,
        uncertainty: Mapping[str, LeanUncertainty],
    ) -> None:
        self.case, self.product, self.held = case, product, held
        self.reading, self.terms = reading, terms
        self.recipe_lb = _recipe_lb(case, product, held)
        self.sets: IndexSets = index_sets(self._in_the_blender())
        lots = [self.sets.lots[index] for index in self.sets.pair_lot]
        self.lots = lots
        addable = {lot.lot_id: lot for lot in case.usable_lots() if lot.lot_id in terms.addable}
        self.max_add_lb = np.array(
            [addable[lot.lot_id].max_lb if lot.lot_id in addable else 0.0 for lot in lots]
        )
        self.price = np.array([lot.delivered_usd_per_lb for lot in lots])
        self.mass = self.sets.kept_mass
        self.fat = self.sets.kept_mass - self.sets.kept_lean
        minimum, maximum = lean_limits(case, product)
        self.min_fat, self.max_fat = 1 - maximum, 1 - minimum
        none = LeanUncertainty("", 0.0, 0.0)
        spread = [uncertainty.get(lot.lot_id, none) for lot in lots]
        # An adjustment uses few containers of a lot: their errors are taken as one.
        error = [sqrt(s.standard_error_share**2 + s.container_sd_share**2) for s in spread]
        self.error = np.array(error) * self.mass
        self.shared = loadings(spread).T * self.mass

    def _in_the_blender(self) -> Case:
        """The case of this batch alone: the lots that may go in and those that are in it."""
        lots = []
        for lot in self.case.lots:
            held_lb = self.recipe_lb.get(lot.lot_id, 0.0)
            may_add = lot.lot_id in self.terms.addable
            if held_lb:  # ground already, whatever its dates say now
                quantity_lb = lot.max_lb + held_lb if may_add else held_lb
                limit = quantity_lb if isfinite(quantity_lb) else None
                lots.append(replace(lot, quantity_lb=limit, available_on=None, use_by=None))
            elif may_add:
                lots.append(lot)
        max_lb = self.held.held_lb + self.held.room_lb
        product = replace(self.product, min_lb=0.0, max_lb=max_lb)
        return replace(self.case, lots=tuple(lots), products=(product,))

    @property
    def quantile(self) -> float:
        """Margin from each limit in standard deviations; each side gets half the risk."""
        asked = self.terms.confidence
        return 0.0 if asked is None else max(0.0, NormalDist().inv_cdf(0.5 + asked / 2))

    def is_within(self, quantile: float) -> bool:
        margin = quantile * self.reading.error_share
        fat = self.reading.fat_share
        return self.min_fat + margin - _MIN_SHARE <= fat <= self.max_fat - margin + _MIN_SHARE

    # Solving

    def solve(self, quantile: float) -> Amounts | None:
        """The cheapest amounts with that margin from the limits; None where there are none."""
        model, cones = self._model(quantile, self.min_fat, self.max_fat)
        return self._amounts(model, cones)

    def surest(self, quantile: float) -> Amounts | None:
        """The amounts with the largest margin that can be kept, by bisection."""
        low, high, best = 0.0, quantile, self.solve(0.0)
        for _ in range(_STEPS if best is not None else 0):
            middle = (low + high) / 2
            try:
                found = self.solve(middle)
            except SolverTrouble:
                # this close to the largest margin the solver may fail
                found = None
            if found is None:
                high = middle
            else:
                low, best = middle, found
        return best

    def nearest(self) -> Amounts:
        """The amounts that come closest to the limit from the batch's side, at least cost.

        By Dinkelbach's method (Management Science 13, 1967): the best of fat − share × finished
        at the share reached last, until it no longer moves.
        """
        too_fat = self.reading.fat_share > self.max_fat
        sides = (self.min_fat, 1.0) if too_fat else (0.0, self.max_fat)
        sign = 1.0 if too_fat else -1.0
        share, amounts = self.reading.fat_share, (np.zeros(len(self.lots)), 0.0)
        for _ in range(_STEPS):
            model, _ = self._model(0.0, *sides)
            cost = np.zeros(len(model.cost))
            cost[model.names["add"]] = sign * (self.fat - share * self.mass)
            cost[model.names["out"]] = -sign * (self.reading.fat_share - share)
            found = self._amounts(replace(model, cost=cost), [])
            if found is None:
                break
            amounts, before, share = found, share, self._state(*found)[1]
            if abs(share - before) <= _MIN_SHARE:
                break
        sides = (self.min_fat, share + _REACHED) if too_fat else (share - _REACHED, self.max_fat)
        return self._amounts(*self._model(0.0, *sides)) or amounts

    def _amounts(self, model: Model, cones: list[Cone]) -> Amounts | None:
        conic = ConicLinear(model, cones, uses_library=False)
        if model.whole.any():
            answer = solve_conic_whole(
                conic,
                gap_share=_GAP_SHARE,
                time_limit_s=_TIME_LIMIT_S,
                guess=lambda x: np.full(len(x), np.nan),
            )
        else:
            answer = conic.solve()
        if answer.outcome is Outcome.INFEASIBLE or not len(answer.x):
            return None
        add = answer.x[model.names["add"]]
        out = answer.x[model.names["out"]]
        return np.where(add > _MIN_LB, add, 0.0), float(out[0]) if out[0] > _MIN_LB else 0.0

    def _model(self, quantile: float, min_fat: float, max_fat: float) -> tuple[Model, list[Cone]]:
        columns, rows = Columns(), Rows()
        add = columns.add("add", len(self.lots), cost=self.price, upper=self.max_add_lb)
        held_lb = self.held.held_lb
        dearest = float(self.price[self.max_add_lb > 0].max(initial=0.0))
        out = columns.add("out", 1, cost=dearest, upper=held_lb if self.terms.may_remove else 0.0)
        kept = columns.add("kept", 1)  # of what was held
        finished = columns.add("batch", 1)
        mass = Requirement(ConstraintClass.MASS, self.product.product_id)
        rows.add(mass, [(kept, 1.0), (out, 1.0)], held_lb, held_lb)
        rows.add(mass, [(finished, 1.0), (kept, -1.0), (add, -self.mass)], 0.0, 0.0)
        rows.add(
            Requirement(ConstraintClass.BATCH_FILL, self.product.product_id),
            [(finished, 1.0)],
            lower=held_lb,  # meat taken out is replaced
            upper=held_lb + self.held.room_lb,
        )
        cones = []
        spread = np.concatenate((add, kept))
        scale = np.concatenate((self.error, [self.reading.error_share]))
        for sign, limit, constraint_class in (
            (1.0, max_fat, ConstraintClass.LEAN_MIN),
            (-1.0, min_fat, ConstraintClass.LEAN_MAX),
        ):
            over = np.concatenate((limit * self.mass - self.fat, [limit - self.reading.fat_share]))
            requirement = Requirement(constraint_class, self.product.product_id)
            if quantile > 0 and (scale.any() or self.shared.any()):
                cones.append(
                    Cone(
                        spread, sign * over, 0.0, quantile, spread, scale, requirement,
                        mixed=add, shared=self.shared,
                    )
                )  # fmt: skip
            else:
                rows.add(requirement, [(spread, sign * over)], 0.0)
        self._add_rules(columns, rows)
        _add_steps(self, columns, rows)
        return Model.of(self.sets, columns, rows), cones

    def _add_rules(self, columns: Columns, rows: Rows) -> None:
        """The rules of the product's recipe, on what is used in all and what is finished: of the
        whole batch where its recipe is known, else of what is added."""
        share = float(bool(self.recipe_lb))
        recipe = [self.recipe_lb.get(lot.lot_id, 0.0) / self.held.held_lb for lot in self.lots]
        mass = Requirement(ConstraintClass.MASS, self.product.product_id)
        use = columns.add("use", len(self.lots))
        within = np.arange(len(use))
        kept = np.full(len(use), columns["kept"][0])
        rows.add_block(
            [mass] * len(use),
            [(within, use, 1.0), (within, columns["add"], -1.0), (within, kept, -np.array(recipe))],
            0.0,
            0.0,
        )
        finished = columns.add("finished", 1)
        rows.add(
            mass,
            [(finished, 1.0), (columns["kept"], -share), (columns["add"], -self.mass)],
            0.0,
            0.0,
        )
        add_rules(ModelBuilder(self.sets, columns, rows), lambda kind: kind.holds_for_each_batch)

    # Results

    def _state(self, add: np.ndarray, out: float) -> tuple[float, float, float]:
        """Finished pounds, fat share and its standard error, by plain arithmetic from the lots."""
        kept_lb = self.held.held_lb - out
        finished_lb, fat_lb = kept_lb, kept_lb * self.reading.fat_share
        variance = (kept_lb * self.reading.error_share) ** 2
        for lot, pounds_lb, error in zip(self.lots, add.tolist(), self.error, strict=False):
            lean, fat = kept_per_lb(lot, self.product, self.case.losses)
            finished_lb += pounds_lb * (lean + fat)
            fat_lb += pounds_lb * fat
            variance += (pounds_lb * float(error)) ** 2
        if len(add):
            variance += float(((self.shared @ add) ** 2).sum())
        return finished_lb, fat_lb / finished_lb, sqrt(variance) / finished_lb

    def _sure(self, fat_share: float, error_share: float) -> float:
        if error_share == 0:
            inside = self.min_fat - _MIN_SHARE <= fat_share <= self.max_fat + _MIN_SHARE
            return float(inside)
        normal = NormalDist(fat_share, error_share)
        return normal.cdf(self.max_fat) - normal.cdf(self.min_fat)

    def _to_whole_containers(self, add: np.ndarray) -> np.ndarray:
        """Rounds off the solver's tolerance in whole containers."""
        if not (self.terms.whole_containers and len(add)):
            return add
        box = np.array([lot.container_lb or 0.0 for lot in self.lots])
        boxed = np.divide(add, box, out=np.zeros(len(box)), where=box > 0)
        return np.where(box > 0, np.round(boxed) * box, add)

    def correction(self, act: Act, add: np.ndarray, out: float) -> Correction:
        add = self._to_whole_containers(add)
        finished_lb, fat_share, error_share = self._state(add, out)
        added = tuple(
            Added(
                lot.lot_id,
                pounds_lb,
                round(pounds_lb / lot.container_lb)
                if self.terms.whole_containers and lot.container_lb
                else None,
                pounds_lb * lot.delivered_usd_per_lb,
            )
            for lot, pounds_lb in zip(self.lots, add.tolist(), strict=False)
            if pounds_lb > 0
        )
        has_rules = any(
            rule.governs(self.product) and definition_of(rule.kind).holds_for_each_batch
            for rule in self.case.binding_rules()
        )
        unknown = has_rules and not self.held.recipe and act is not Act.NOTHING
        return Correction(
            act=act,
            product_id=self.product.product_id,
            held=self.held,
            reading=self.reading,
            min_fat_share=self.min_fat,
            max_fat_share=self.max_fat,
            added=added,
            removed_lb=out,
            finished_lb=finished_lb,
            fat_share=fat_share,
            sure_before=self._sure(self.reading.fat_share, self.reading.error_share),
            sure_after=self._sure(fat_share, error_share),
            asked=self.terms.confidence,
            cost_usd=sum(each.cost_usd for each in added),
            retest=None,
            notes=(_AS_SHARES,) if unknown else (),
        )

    def retest(self, quantile: float, correction_usd: float) -> Retest | None:
        """Value of one more test. Before it is made, the mean it will give is normal around today's
        with the variance that the test removes; the chance that this mean counts as in spec,
        times the adjustment then saved."""
        reading, cost_usd = self.reading, self.terms.test_cost_usd
        if cost_usd is None or reading.sd_share == 0:
            return None
        after = reading.sd_share / sqrt(reading.readings + 1)
        moves = sqrt(reading.error_share**2 - after**2)
        minimum, maximum = self.min_fat + quantile * after, self.max_fat - quantile * after
        normal = NormalDist(reading.fat_share, moves)
        clears = max(0.0, normal.cdf(maximum) - normal.cdf(minimum))
        return Retest(clears, clears * correction_usd, cost_usd)


def _add_steps(job: _Job, columns: Columns, rows: Rows) -> None:
    """Amounts in whole containers, or in whole steps of the scale."""
    step_lb = np.array(
        [
            (lot.container_lb if job.terms.whole_containers else None) or job.terms.step_lb or 0.0
            for lot in job.lots
        ]
    )
    stepped = np.flatnonzero(step_lb)
    counts = columns.add("steps", len(stepped), whole=True)
    within = np.arange(len(stepped))
    rows.add_block(
        [Requirement(ConstraintClass.WHOLE_CONTAINERS, job.product.product_id)] * len(stepped),
        [(within, columns["add"][stepped], 1.0), (within, counts, -step_lb[stepped])],
        0.0,
        0.0,
    )


def _recipe_lb(case: Case, product: Product, held: Held) -> dict[str, float]:
    """Pounds of each lot in the blender, scaled so that they finish at the pounds held."""
    pounds: dict[str, float] = {}
    for each in held.recipe:
        if each.pounds_lb > 0:
            pounds[each.lot_id] = pounds.get(each.lot_id, 0.0) + each.pounds_lb
    finished_lb = sum(
        lb * sum(kept_per_lb(case.lot(lot_id), product, case.losses))
        for lot_id, lb in pounds.items()
    )
    return {lot_id: lb * held.held_lb / finished_lb for lot_id, lb in pounds.items()}


# The limits that stop it --------------------------------------------------------------------------


def obstacles(
    case: Case, product_id: str, held: Held, reading: Reading, terms: Terms
) -> tuple[Obstacle, ...]:
    """What keeps a batch off spec: each single limit, and one irreducible set of rules, without
    which it could be brought into spec on average. Empty where nothing alone is enough.

    The set of rules comes from a deletion filter that keeps published standards where it can.
    """
    case = case.divisible()
    product = case.product(product_id)
    usable = frozenset(lot.lot_id for lot in case.usable_lots())

    def tried(
        kind: str, rule_ids: tuple[str, ...] = (), held: Held = held, terms: Terms = terms
    ) -> Obstacle | None:
        other = _without_rules(case, rule_ids)
        job = _Job(other, other.product(product_id), held, reading, terms, {})
        amounts = job.solve(0.0)
        if amounts is None:
            return None
        added = zip(job.lots, amounts[0].tolist(), strict=True)
        pounds = tuple((lot.lot_id, lb) for lot, lb in added if lb > 0)
        return Obstacle(kind, rule_ids, pounds, amounts[1])

    standards = [r.row_id for r in case.standard_rows(product) if r.action is Action.REFUSE]
    dropped = (*standards, *(rule.rule_id for rule in case.rules if rule.governs(product)))
    rules = tried("rules", dropped)
    for rule_id in dropped:
        if rules is not None:
            fewer = tuple(each for each in rules.rule_ids if each != rule_id)
            rules = tried("rules", fewer) or rules
    found = [
        tried("lots", terms=replace(terms, addable=usable)),
        tried("room", held=replace(held, room_lb=held.held_lb * 20)),
        tried("removal", terms=replace(terms, may_remove=True)),
        tried("containers", terms=replace(terms, whole_containers=False)),
        rules,
    ]
    return tuple(each for each in found if each is not None)


def _without_rules(case: Case, rule_ids: tuple[str, ...]) -> Case:
    return replace(
        case,
        rules=tuple(rule for rule in case.rules if rule.rule_id not in rule_ids),
        standards=tuple(row for row in case.standards if row.row_id not in rule_ids),
    )


def lots_to_add(case: Case, names: Iterable[str] = ()) -> frozenset[str]:
    """The lots named, else those in the plant's stock."""
    named = frozenset(names)
    return named or frozenset(lot.lot_id for lot in case.usable_lots() if lot.is_on_hand)
