"""Chance constraints as second-order cones: how far a batch's lean varies, and plans that allow
for it.

For a batch that holds b pounds of each lot, let w be the finished lean that a pound gains over
the limit when the lot is leaner by 1, se the standard error of the lot's lean, s the spread of
its containers of q pounds, v the finished pounds, e the spread by mixing and test. With errors
that are normal, finished lean less the limit's share of finished pounds has

    variance = Σ w² (se² b² + s² h) + Σ u² + e² v²,    h = the sum of squares of the pounds that
                                                    came from each container, at most b · min(b, q)

with one u = Σ w l b for each error that lots share, l their loadings on it (all other errors are
independent), and a batch is on the right side with probability Φ(mean / √variance): a second-order
cone except for the term s² b q, which is concave in b under the root. Two convex functions
replace it.

- `b q <= q b² / 2β + q β / 2` for any β > 0, equal at b = β: more variance than there is, so that
  the plan meets its chance constraint. β is the lot's pounds in the batch of the last solution, and
  the plan is solved again until it converges (the convex-concave procedure: Yuille and Rangarajan,
  Neural Computation 15, 2003). A lot that held less than a container counts b² instead.
- `h >= b² / ⌈B / q⌉` for b up to B, all that a batch can hold of the lot: pounds from n containers
  have squares that add up to b² / n at least. Less variance than there is, so that its
  optimum is a lower bound.

A batch is the product's pounds over the number of batches k. In the linear program v / k is
that of the last solution, in the whole one k is a column of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.certificates import ChanceCertificate, ConfidencePrice
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty, Sides
from blend.model.arrays import Model
from blend.model.cone import Cone
from blend.model.prices import dual_prices
from blend.model.round_plan import RoundedPlan, batch_count, exact_plan, round_plan
from blend.model.sets import IndexSets
from blend.model.solve import LinearPlan
from blend.model.solver import Outcome, solve_whole
from blend.model.tangents import ConicAnswer, ConicLinear
from blend.model.whole_cones import solve_conic_whole, solve_held

SETTLED = 1e-6
"""Of the cost: below this gain the reference pounds count as settled."""
_MAX_SETTLING = 12
_LACKING_USD_PER_LB = 1e3
"""Times the most expensive pound: price of each pound of lean that a chance constraint is short, so
that it is short only where it is infeasible."""
_MIN_LB = 1e-6
_TRACE_LB = 0.25
"""Less than this of a lot in a batch is no ingredient."""

_FIRST_GAP_SHARE = 0.002
"""Of the searches for a first answer in whole numbers: the spread moves it by more."""
_ROUNDS_ON = 3
"""Further searches after a first answer."""
_FIRST_SHARE = 0.5
"""Of the time there is, at most, for a first answer in whole numbers."""

OnBetter = Callable[[float, float], None]


@dataclass(frozen=True)
class Reference:
    """The batches that variance is computed for: pounds of each lot and product in one."""

    pounds_lb: np.ndarray
    """Lots × products."""
    batch_lb: np.ndarray
    """Finished pounds of one batch of each product."""


@dataclass(frozen=True)
class ChanceBlend:
    """One side of one chance constraint on one blend: the cone at the same index."""

    chance_constraint: ChanceConstraint
    side: Sides
    blend: int
    limit_share: float


def lean_limits(case: Case, product: Product) -> tuple[float, float]:
    """Min and max lean of a product: its tolerance, tightened by rules on fat."""
    minimum, maximum = product.min_lean, product.max_lean
    for rule in case.binding_rules():
        if rule.kind is RuleKind.FAT and rule.governs(product):
            if rule.max_share is not None:
                minimum = max(minimum, 1 - rule.max_share)
            if rule.min_share is not None:
                maximum = min(maximum, 1 - rule.min_share)
    return minimum, maximum


class ChanceModel:
    """The model of a case with chance constraints, kept warm with its cuts."""

    def __init__(
        self,
        model: Model,
        uncertainty: Mapping[str, LeanUncertainty],
        chance_constraints: Iterable[ChanceConstraint],
        reference: Reference | None = None,
    ) -> None:
        sets = model.sets
        self.sets = sets
        self.uncertainty = uncertainty
        self.is_whole = "batches" in model.names
        self.chance = tuple(_chance(sets, chance_constraints))
        self._retained = sets.retained()
        none = LeanUncertainty("", 0.0, 0.0)
        spread = [uncertainty.get(lot.lot_id, none) for lot in sets.lots]
        self.error = np.array([each.standard_error_share for each in spread])
        self.shared = loadings(spread)
        self.container_sd = np.array([each.container_sd_share for each in spread])
        self.container_lb = np.array([lot.container_lb or np.inf for lot in sets.lots])
        self.reference = reference
        self.model = _with_columns(model, len(self.chance))
        self.conic = ConicLinear(self.model, [self._cone(at) for at in range(len(self.chance))])

    def refer_to(self, reference: Reference | None) -> None:
        """Compute variance for other batches; None is the lowest variance there can be."""
        self.reference = reference
        for at in range(len(self.chance)):
            self.conic.set_scale(at, self._scale(at))

    def find_with(self, error: np.ndarray, shared: np.ndarray) -> np.ndarray:
        """The optimum around the same batches if lots had other errors, their own and shared."""
        other = copy(self)
        other.error, other.shared = error, shared
        cones = [other._cone(at) for at in range(len(self.chance))]
        return ConicLinear(self.model, cones).find()

    def keep_off(self, at: int, headroom_lb: float) -> None:
        """Tighten one cone by so many pounds of lean."""
        self.conic.set_min(at, self.conic.cones[at].minimum + headroom_lb)

    def lacking_lb(self, x: np.ndarray) -> np.ndarray:
        """Pounds of lean that each cone is short in a solution."""
        return x[self.model.names["lacking"]]

    def reference_of(self, x: np.ndarray) -> Reference:
        """The batches of a solution."""
        sets, names = self.sets, self.model.names
        pounds_lb = np.zeros((len(sets.lots), len(sets.products)))
        batch_lb = np.array([product.batch_lb for product in sets.products])
        for blend, product in enumerate(sets.blends.product):
            made_lb = float(x[names["finished"]][blend])
            if made_lb <= _MIN_LB:
                continue
            alone = sets.blends.batch[blend] > 0
            count = 1 if alone else batch_count(sets.products[product], made_lb)
            pairs = sets.pairs_of(blend)
            lots = sets.pair_lot[pairs]
            held = x[self.model.use][pairs] / count
            pounds_lb[lots, product] = np.maximum(pounds_lb[lots, product], held)
            batch_lb[product] = made_lb / count
        return Reference(pounds_lb, batch_lb)

    # The cone of one side of one chance constraint

    def _cone(self, at: int) -> Cone:
        chance, sets = self.chance[at], self.sets
        pairs = sets.pairs_of(chance.blend)
        over = sets.kept_lean[pairs] - chance.limit_share * sets.kept_mass[pairs]
        below = chance.side is Sides.BELOW
        product = sets.products[sets.blends.product[chance.blend]]
        lacking = self.model.names["lacking"].start + at
        lots = sets.pair_lot[pairs]
        gain = self._gain(lots, int(sets.blends.product[chance.blend]), chance.limit_share)
        shared = (self.shared[lots] * gain[:, None]).T
        return Cone(
            columns=np.append(self._use(chance.blend), lacking),
            values=np.append(over if below else -over, 1.0),
            minimum=0.0,
            factor=chance.chance_constraint.quantile,
            spread=self._spread_columns(chance.blend),
            scale=self._scale(at),
            mixed=self._use(chance.blend),
            shared=shared[shared.any(1)],
            requirement=Requirement(
                ConstraintClass.LEAN_MIN if below else ConstraintClass.LEAN_MAX, product.product_id
            ),
        )

    def _use(self, blend: int) -> np.ndarray:
        pairs = self.sets.pairs_of(blend)
        return self.model.use.start + np.arange(pairs.start, pairs.stop)

    def _spread_columns(self, blend: int) -> np.ndarray:
        """Pounds used, finished pounds and, in whole numbers, batches."""
        names = self.model.names
        finished = names["finished"].start + blend
        if not self.is_whole:
            return np.append(self._use(blend), finished)
        count = names["batches"].start + blend
        return np.concatenate((self._use(blend), [finished, count]))

    def _scale(self, at: int) -> np.ndarray:
        chance, sets = self.chance[at], self.sets
        pairs = sets.pairs_of(chance.blend)
        lots = sets.pair_lot[pairs]
        index = sets.blends.product[chance.blend]
        weight = self._gain(lots, index, chance.limit_share)
        of_square, fixed = self._containers(pairs, sets.products[index], index)
        scale = weight * np.sqrt(self.error[lots] ** 2 + of_square)
        fixed_lb2 = float(fixed @ weight**2)
        variance = chance.chance_constraint.batch.variance
        if self.is_whole:
            return np.concatenate((scale, np.sqrt([variance, fixed_lb2])))
        if self.reference is not None:
            variance += fixed_lb2 / self.reference.batch_lb[index] ** 2
        return np.append(scale, np.sqrt(variance))

    def _gain(self, lots: np.ndarray, product: int, limit_share: float) -> np.ndarray:
        """Finished lean over the limit that a pound gains when the lot is leaner by 1."""
        lean, fat = (kept[lots, product] for kept in self._retained)
        return lean * (1 - limit_share) + fat * limit_share

    def _containers(
        self, pairs: slice, product: Product, index: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Of each pair, what its containers add: by square pound, and fixed for each batch."""
        lots = self.sets.pair_lot[pairs]
        variance, container_lb = self.container_sd[lots] ** 2, self.container_lb[lots]
        if self.reference is None:
            with np.errstate(divide="ignore"):
                max_lb = product.blender_max_lb / self.sets.kept_mass[pairs]
            max_lb = np.minimum(max_lb, self.sets.lot_max_lb[lots])
            containers = np.maximum(1.0, np.ceil(max_lb / container_lb))
            return variance / containers, np.zeros(len(lots))
        held_lb = self.reference.pounds_lb[lots, index]
        is_many = held_lb > container_lb
        count = np.where(is_many, held_lb, 1.0) / np.where(is_many, container_lb, 1.0)
        of_square = variance * np.where(is_many, 0.5 / count, 1.0)
        return of_square, variance * np.where(is_many, 0.5 * count * container_lb**2, 0.0)


@dataclass(frozen=True)
class SafeAnswer:
    """A solution that meets its chance constraints except for what is lacking, and its bound."""

    answer: ConicAnswer
    bound_usd: float
    """No plan that meets the chance constraints costs less, with whole containers or without."""
    lacking_lb: np.ndarray
    certificate: ChanceCertificate | None = None
    """Dual prices at the least spread, which certify a bound; None without them."""

    @property
    def is_kept(self) -> bool:
        return bool((self.lacking_lb <= _MIN_LB).all())


def solve_chance(chance: ChanceModel) -> SafeAnswer:
    """Solve the continuous program: first at the lowest variance, for the bound, then for the
    batches of the last solution until they converge.

    The outcome is that of the program without chance constraints where this has no solution.
    """
    chance.refer_to(None)
    relaxed = chance.conic.solve()
    if relaxed.outcome is not Outcome.OPTIMAL:
        return SafeAnswer(relaxed, relaxed.bound, np.zeros(0))
    certificate = _certificate(chance, relaxed.x)
    return replace(settle(chance, relaxed.x, relaxed.bound), certificate=certificate)


def _certificate(chance: ChanceModel, x: np.ndarray) -> ChanceCertificate:
    """The dual prices as the cones stand, and the blends about which they are taken as straight."""
    model, sets = chance.model, chance.sets
    outer, readings = chance.conic.reading_prices()
    own = replace(outer, row_dual=outer.row_dual[: len(model.requirements)])
    used = x[model.use]
    priced = []
    for each, usd in zip(chance.chance, readings.tolist(), strict=True):
        pairs = sets.pairs_of(each.blend)
        lots = (sets.lots[at].lot_id for at in sets.pair_lot[pairs])
        pounds = dict(zip(lots, used[pairs].tolist(), strict=True))
        priced.append(
            ConfidencePrice(each.chance_constraint.product_id, each.side, max(0.0, usd), pounds)
        )
    return ChanceCertificate(dual_prices(LinearPlan(model, own)), tuple(priced))


def settle(chance: ChanceModel, start: np.ndarray, bound_usd: float) -> SafeAnswer:
    """Solve again around the batches of the last solution, beginning with those of `start`."""
    cost = chance.model.cost
    reference, kept, best_usd = chance.reference_of(start), None, np.inf
    for _ in range(_MAX_SETTLING):
        chance.refer_to(reference)
        x = chance.conic.find()
        usd, before = float(cost @ x), best_usd
        if usd < best_usd:
            best_usd, kept = usd, reference
        if before - usd <= SETTLED * max(1.0, abs(usd)):
            break
        reference = chance.reference_of(x)
    chance.refer_to(kept)
    answer = chance.conic.solve()
    return SafeAnswer(answer, bound_usd, chance.lacking_lb(answer.x))


def min_lacking(chance: ChanceModel) -> np.ndarray:
    """Pounds of lean that chance constraints are short at the lowest variance, at any cost: they
    are infeasible together unless this is zero."""
    linear = chance.conic.linear
    every = np.arange(len(linear.cost))
    before = linear.cost.copy()
    cost = np.zeros(len(every))
    cost[chance.model.names["lacking"]] = 1.0
    chance.refer_to(None)
    linear.set_cost(every, cost)
    answer = chance.conic.solve()
    linear.set_cost(every, before)
    return chance.lacking_lb(answer.x)


class WholeChance:
    """A mixed-integer program with chance constraints: searched once, then kept at the whole
    numbers found while single cones are tightened."""

    def __init__(self, chance: ChanceModel, gap_share: float) -> None:
        self.chance = chance
        self.gap_share = gap_share
        names = chance.model.names
        # the relaxation is feasible, so that here nothing may be lacking
        for column in range(names["lacking"].start, names["lacking"].stop):
            chance.conic.linear.set_column_bounds(column, 0.0, 0.0)

    def search(self, time_limit_s: float, on_better: OnBetter | None = None) -> ConicAnswer:
        """Solve in whole numbers; `x` is empty where nothing was found.

        A first answer decides for which batches variance is computed from then on.
        """
        began = time.monotonic()
        first, was_interrupted = self._first(time_limit_s * _FIRST_SHARE)
        if was_interrupted and first is not None:
            bound = min(self.chance.conic.solve().bound, first.objective)
            return replace(first, outcome=Outcome.STOPPED, bound=bound, was_interrupted=True)
        left_s = time_limit_s - (time.monotonic() - began)
        return solve_conic_whole(
            self.chance.conic,
            gap_share=self.gap_share,
            time_limit_s=left_s,
            guess=self._guess,
            first=first,
            on_better=on_better,
        )

    def _first(self, time_limit_s: float) -> tuple[ConicAnswer | None, bool]:
        """Search under the tangents at the relaxation's optimum and at each plan found, until one
        meets its chance constraints with the variance of its own batches, and a few rounds on;
        and whether Ctrl-C ended that, which is raised where nothing was found."""
        chance, conic = self.chance, self.chance.conic
        relaxed = conic.solve()
        if relaxed.outcome is not Outcome.OPTIMAL:
            return None, False
        kept, guess = chance.reference, self._guess(relaxed.x)
        whole, points = np.flatnonzero(conic.whole), [relaxed.x]
        until, best, rounds_on = time.monotonic() + time_limit_s, None, 0
        while (left_s := until - time.monotonic()) > 0 and rounds_on <= _ROUNDS_ON:
            model = conic.with_tangents(points)
            padded = np.full(len(model.cost), np.nan)
            padded[: len(guess)] = guess
            found = solve_whole(
                model,
                gap_share=max(self.gap_share, _FIRST_GAP_SHARE),
                time_limit_s=min(left_s, time_limit_s / 3),
                guess=padded,
            )
            if len(found.x):
                reference = chance.reference_of(found.x)
                chance.refer_to(reference)
                held = solve_held(conic, whole, np.round(found.x[whole]))
                if len(held.x) and (best is None or held.objective < best.objective):
                    best, kept = held, reference
                points.append(found.x[: conic.column_count])
                guess = np.where(conic.whole, np.round(points[-1]), np.nan)
            if found.was_interrupted and best is None:
                raise KeyboardInterrupt
            if found.was_interrupted or not len(found.x):
                chance.refer_to(kept)
                return best, found.was_interrupted
            rounds_on += best is not None
        chance.refer_to(kept)
        return best, False

    def search_near(self, x: np.ndarray) -> ConicAnswer:
        """Solve with the whole numbers of a solution held."""
        whole = np.flatnonzero(self.chance.model.whole)
        return solve_held(self.chance.conic, whole, np.round(x[whole]))

    def rounded_plan(self, x: np.ndarray) -> RoundedPlan:
        """A solution in whole pounds, which keeps the outer approximation cuts too."""
        full = self.chance.conic.completed(self._without_dust(x))
        return round_plan(self.chance.conic.with_cuts(), full)

    def exact(self, x: np.ndarray) -> RoundedPlan:
        """A solution before rounding, to recount its money."""
        return exact_plan(self.chance.model, x)

    def _guess(self, x: np.ndarray) -> np.ndarray:
        """MIP start: containers of the relaxation's optimum, rounded up."""
        guess = np.full(len(x), np.nan)
        block = self.chance.model.names.get("containers_taken")
        if block is not None:
            guess[block] = np.ceil(x[block] - 1e-6)
        return guess

    def _without_dust(self, x: np.ndarray) -> np.ndarray:
        """Without the traces that a solution from the inside leaves of every lot."""
        x, chance = x.copy(), self.chance
        counts = x[chance.model.names["batches"]]
        used = x[chance.model.use]
        trace = used < _TRACE_LB * np.maximum(1.0, counts[chance.sets.pair_blend])
        x[chance.model.use] = np.where(trace, 0.0, used)
        return x


# What the case says -----------------------------------------------------------------------------


def _chance(
    sets: IndexSets, chance_constraints: Iterable[ChanceConstraint]
) -> Iterable[ChanceBlend]:
    index = {product.product_id: at for at, product in enumerate(sets.products)}
    for chance_constraint in chance_constraints:
        at = index[chance_constraint.product_id]
        minimum, maximum = lean_limits(sets.case, sets.products[at])
        for side in chance_constraint.each_side:
            for blend in sets.blends_of(at):
                yield ChanceBlend(
                    chance_constraint, side, int(blend), minimum if side is Sides.BELOW else maximum
                )


def loadings(spread: Sequence[LeanUncertainty]) -> np.ndarray:
    """Lots × errors that they share."""
    count = max((len(each.shared_error) for each in spread), default=0)
    found = np.zeros((len(spread), count))
    for row, each in zip(found, spread, strict=True):
        row[: len(each.shared_error)] = each.shared_error
    return found


def _with_columns(model: Model, sides: int) -> Model:
    """The program with a column for what each cone is short."""
    price = _LACKING_USD_PER_LB * np.abs(model.cost).max(initial=1.0)
    return model.extended(sides, cost=price, name="lacking")
