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
- `h >= b² / ⌈B / q⌉` for b up to B, all that a batch can hold of the lot within its limits on lean
  and shares: pounds from n containers have squares that add up to b² / n at least. Less variance
  than there is, so that its optimum is a lower bound.

A batch is the product's pounds over the number of batches k. In the linear program v / k is
that of the last solution, in the whole-number one k is a separate column.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from blend.domain.certificates import ChanceCertificate, ConfidencePrice
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty, Sides
from blend.errors import SolverTrouble
from blend.model.arrays import Model, dot
from blend.model.cone import Cone
from blend.model.prices import dual_prices
from blend.model.room import ROOM_LB, with_room
from blend.model.round_plan import RoundedPlan, batch_count, exact_plan, round_plan, round_quickly
from blend.model.sets import IndexSets
from blend.model.solve import LinearPlan
from blend.model.solver import Outcome, solve_whole
from blend.model.tangents import ConicAnswer, ConicLinear
from blend.model.tighten import lean_limits, max_share, tightened
from blend.model.whole_cones import held

SETTLED = 1e-6
"""Of the cost: below this gain the reference pounds count as settled."""
_MAX_SETTLING = 12
_LACKING_USD_PER_LB = 1e3
"""Times the most expensive pound: price of each pound of lean that a chance constraint is short, so
that it is short only where it is infeasible."""
_MIN_LB = 1e-6
_TRACE_LB = 0.25
"""Less than this of a lot in a batch is no ingredient."""

_ROUNDS_UNTIL_KEPT = 10
"""Searches where none meets every chance constraint."""
_ROUND_SHARE = 0.5
"""Of the time left, for each search."""
_FIRST_GAP_SHARE = 0.002
"""Of the first two searches: tangents are still missing."""
_FLOOR_NODES, _MAX_ROUNDS = 20, 5
"""By measurement more nodes raise the floor little, and more rounds give little."""
_POLISHES, _POLISH_NODES = 2, 300
_NEARLY_HELD_LB = 0.05
"""Of lean in a run: the cones with the whole numbers fixed move the solution by as much."""
_MARGIN = Requirement(ConstraintClass.MASS)

OnBetter = Callable[[float, float], None]
_Row = tuple[np.ndarray, np.ndarray, float]
"""Columns, values, and what their sum is at least."""


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


class ChanceModel:
    """The model of a case with chance constraints, kept warm with its cuts."""

    def __init__(
        self,
        model: Model,
        uncertainty: Mapping[str, LeanUncertainty],
        chance_constraints: Iterable[ChanceConstraint],
        reference: Reference | None = None,
        headroom: float = 1.0,
    ) -> None:
        """`headroom` times the distance that each confidence needs is kept."""
        sets = model.sets
        self.headroom = headroom
        self.sets = sets
        self.uncertainty = uncertainty
        self.is_whole = "batches" in model.names
        self.chance = tuple(_chance(sets, chance_constraints))
        self._retained = sets.retained()
        self._max_share = max_share(sets)
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
            factor=self.headroom * chance.chance_constraint.quantile,
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
        of_square, fixed = self._containers(pairs, index)
        scale = weight * np.sqrt(self.error[lots] ** 2 + of_square)
        fixed_lb2 = float(fixed @ weight**2)
        variance = chance.chance_constraint.batch.variance
        if self.is_whole:
            return np.concatenate((scale, np.sqrt([variance, fixed_lb2])))
        if self.reference is not None:
            variance += fixed_lb2 / self.reference.batch_lb[index] ** 2
        return np.append(scale, np.sqrt(variance))

    def is_kept(self, x: np.ndarray) -> bool:
        """Whether a solution meets every chance constraint."""
        return bool((self.lacking_lb(x) <= _MIN_LB).all())

    def _gain(self, lots: np.ndarray, product: int, limit_share: float) -> np.ndarray:
        """Finished lean over the limit that a pound gains when the lot is leaner by 1."""
        lean, fat = (kept[lots, product] for kept in self._retained)
        return lean * (1 - limit_share) + fat * limit_share

    def _fewest_containers(self, pairs: np.ndarray | slice) -> np.ndarray:
        """How many containers hold the most of each pair that a batch can have."""
        sets = self.sets
        blender_lb = np.array([product.blender_max_lb for product in sets.products])
        products, lots = sets.blends.product[sets.pair_blend[pairs]], sets.pair_lot[pairs]
        with np.errstate(divide="ignore"):
            max_lb = self._max_share[pairs] * blender_lb[products] / sets.kept_mass[pairs]
        max_lb = np.minimum(max_lb, sets.lot_max_lb[lots])
        return np.maximum(1.0, np.ceil(max_lb / self.container_lb[lots]))

    def _containers(self, pairs: slice, index: int) -> tuple[np.ndarray, np.ndarray]:
        """Of each pair, what its containers add: by square pound, and fixed for each batch."""
        lots = self.sets.pair_lot[pairs]
        variance, container_lb = self.container_sd[lots] ** 2, self.container_lb[lots]
        if self.reference is None:
            return variance / self._fewest_containers(pairs), np.zeros(len(lots))
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
    numbers found while single cones are tightened.

    Plans are searched under tangents of the cones and with room for whole pounds. What is found
    lies outside the cones; with its ingredients kept, tangents at it move containers and batches
    until the cones hold. With these whole numbers the cones themselves are solved. The floor comes
    from a search without room, under cuts of the cones at the lowest variance, which every plan
    keeps.
    """

    def __init__(self, chance: ChanceModel, gap_share: float, floor_usd: float) -> None:
        """No plan costs less than `floor_usd`."""
        self.chance = chance
        self.floor_usd = floor_usd
        self.gap_share = gap_share
        self._points: list[np.ndarray] = []
        """Where the cones have tangents."""
        self._has_cuts = False

    def search(self, time_limit_s: float, on_better: OnBetter | None = None) -> ConicAnswer:
        """Solve in whole numbers; `x` is empty where nothing was found.

        Pounds are lacking in the answer where no plan was found that meets every chance constraint.
        From then on variance is computed for the batches of the answer.
        """
        chance, conic = self.chance, self.chance.conic
        until = time.monotonic() + time_limit_s
        settled = conic.find()
        if not len(settled):
            return conic.solve()
        kept, start = chance.reference, self._guess(settled)
        self._points = [settled]
        best: ConicAnswer | None = None
        was_interrupted = is_close = is_over = False
        rounds, gained_usd = 0, np.inf
        while not (is_close or is_over) and (left_s := until - time.monotonic()) > 0:
            rounds += 1
            is_floor = rounds % 2 > 0 and best is not None and chance.is_kept(best.x)
            try:
                model = tightened(self._with_cuts()) if is_floor else self._program()
                found = solve_whole(
                    model,
                    gap_share=self.gap_share / 3 if rounds > 2 else _FIRST_GAP_SHARE,
                    time_limit_s=left_s * _ROUND_SHARE,
                    max_nodes=_FLOOR_NODES if is_floor else None,
                    guess=np.append(start, np.full(len(model.cost) - len(start), np.nan)),
                    on_better=on_better,
                )
                was_interrupted = found.was_interrupted
                near = None
                if len(found.x):
                    near = self._held(self._polished(found.x[: conic.column_count], until))
            except KeyboardInterrupt:
                if best is None:
                    raise
                was_interrupted = True
                break
            before = np.inf if best is None else best.objective - self.floor_usd
            if near is not None and (best is None or near.objective < best.objective):
                best, kept = near, chance.reference
            if is_floor and len(found.x):
                conic.cut_off(found.x)
            if is_floor and found.outcome is not Outcome.INFEASIBLE:
                self.floor_usd = float(np.fmax(self.floor_usd, found.bound))
            if best is None:
                if found.outcome is Outcome.INFEASIBLE:
                    break
                continue
            start = np.where(conic.whole, np.round(best.x), np.nan)
            gap_usd = best.objective - self.floor_usd
            allowed_usd = self.gap_share * abs(best.objective)
            gained_usd = before - gap_usd + (0.0 if is_floor else gained_usd)
            is_close = gap_usd <= allowed_usd
            is_over = (
                was_interrupted
                or (rounds >= _MAX_ROUNDS and chance.is_kept(best.x))
                or (is_floor and gained_usd < allowed_usd / 4)
                or (rounds >= _ROUNDS_UNTIL_KEPT and not chance.is_kept(best.x))
            )
        chance.refer_to(kept)
        if best is None:
            outcome = found.outcome if rounds else Outcome.STOPPED
            return ConicAnswer(outcome, np.nan, self.floor_usd, np.zeros(0), rounds)
        is_optimal = (is_close or is_over) and not was_interrupted
        return replace(
            best,
            outcome=Outcome.OPTIMAL if is_optimal else Outcome.STOPPED,
            bound=self.floor_usd,
            rounds=rounds,
            was_interrupted=was_interrupted,
        )

    def _program(self) -> Model:
        """The program with tangents of the cones for the batches referred to, and with room for
        whole pounds."""
        model = _with_rows(
            self.chance.model,
            [_tangent(cone, x) for cone in self.chance.conic.cones for x in self._points],
        )
        has_room = "containers_used" not in model.names
        model = tightened(model)
        return with_room(model, ROOM_LB) if has_room else model

    def _polished(self, x: np.ndarray, until: float) -> np.ndarray:
        """The whole numbers of a solution moved until the cones hold, with the same ingredients:
        each time tangents at the last solution are added, for its own batches."""
        chance = self.chance
        out_of_use = x[chance.model.use] < _TRACE_LB
        for _ in range(_POLISHES):
            self._points.append(x)
            chance.refer_to(chance.reference_of(x))
            if all(cone.lacks(x) <= _NEARLY_HELD_LB for cone in chance.conic.cones):
                break
            model = self._program()
            upper = model.upper.copy()
            upper[model.use] = np.where(out_of_use, 0.0, upper[model.use])
            found = solve_whole(
                replace(model, upper=upper),
                gap_share=self.gap_share / 2,
                time_limit_s=max(0.0, until - time.monotonic()),
                max_nodes=_POLISH_NODES,
            )
            if not len(found.x):
                break
            x = found.x[: len(x)]
        return x

    def _held(self, x: np.ndarray) -> ConicAnswer:
        """The cones solved with the whole numbers of a solution, for its own batches; where that
        fails, the solution as it is, with its shortfall."""
        chance, conic = self.chance, self.chance.conic
        chance.refer_to(chance.reference_of(x))
        found = x[: conic.column_count].copy()
        lacks = np.array([cone.lacks(found) for cone in conic.cones])
        found[chance.model.names["lacking"]] += np.maximum(lacks, 0.0)
        whole = np.flatnonzero(conic.whole)
        with held(conic, whole, np.round(x[whole])):
            for _ in range(2):
                point = self._point()
                if point is None:
                    break
                found = point
                chance.refer_to(chance.reference_of(found))
        return ConicAnswer(Outcome.OPTIMAL, dot(chance.model.cost, found), -np.inf, found, 0)

    def _point(self) -> np.ndarray | None:
        """The optimum of the cones as they stand; None where the solvers fail."""
        try:
            found = self.chance.conic.find()
        except SolverTrouble:
            return None
        return found if len(found) else None

    def _margins(self, x: np.ndarray) -> np.ndarray:
        """By cone, the spread of a solution times the factor, as a share of what is made."""
        made_lb = x[self.chance.model.names["finished"]]
        return np.array(
            [
                cone.factor * cone.norm(x) / max(_MIN_LB, float(made_lb[side.blend]))
                if made_lb[side.blend] > _MIN_LB
                else 0.0
                for cone, side in zip(self.chance.conic.cones, self.chance.chance, strict=True)
            ]
        )

    def _with_margins(self, margins: np.ndarray) -> Model:
        """The program with a fixed share of what is made as the distance of each cone."""
        finished = self.chance.model.names["finished"].start
        return _with_rows(
            self.chance.model,
            [
                (
                    np.append(cone.columns, finished + side.blend),
                    np.append(cone.values, -share),
                    cone.minimum,
                )
                for cone, side, share in zip(
                    self.chance.conic.cones, self.chance.chance, margins.tolist(), strict=True
                )
            ],
        )

    def _with_cuts(self) -> Model:
        """The program with cuts of the cones at the lowest variance: no plan that meets its chance
        constraints is cut off."""
        chance, conic, kept = self.chance, self.chance.conic, self.chance.reference
        chance.refer_to(None)
        if not self._has_cuts:
            conic.solve()
            self._has_cuts = True
        model = conic.with_cuts(1 / chance.headroom)
        chance.refer_to(kept)
        model.upper[model.names["lacking"]] = 0.0
        return model

    def lacking_share(self, x: np.ndarray) -> np.ndarray:
        """By cone, the pounds of lean a solution falls short, as a share of what is made."""
        made_lb = x[self.chance.model.names["finished"]][
            [side.blend for side in self.chance.chance]
        ]
        return self.chance.lacking_lb(x) / np.maximum(made_lb, 1.0)

    def rounded_plan(self, x: np.ndarray, more: np.ndarray) -> RoundedPlan:
        """A solution in whole pounds that keeps its margins, and more of each cone by a share of
        what is made."""
        x = self._without_dust(x)
        model = self._with_margins(self._margins(x) / sqrt(self.chance.headroom) + more)
        model.upper[model.names["lacking"]] = 0.0
        return round_quickly(model, x) or round_plan(model, x)

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


def _tangent(cone: Cone, x: np.ndarray) -> _Row:
    """A row that every point of the cone keeps, and is just kept at `x` where the cone is."""
    slope = cone.factor * cone.slope(x)
    used = np.flatnonzero(slope)
    return np.append(cone.columns, used), np.append(cone.values, -slope[used]), cone.minimum


def _with_rows(base: Model, rows: Sequence[_Row]) -> Model:
    """The program with rows that are at least something; columns may come twice in one."""
    entries, lower = [], []
    for row, (columns, values, minimum) in enumerate(rows, len(base.row_lower)):
        together = np.bincount(columns, values)
        used = np.flatnonzero(together)
        entries.append((np.full(len(used), row), used, together[used]))
        lower.append(minimum)
    return replace(base, upper=base.upper.copy()).extended(
        0,
        entries,
        row_lower=lower,
        row_upper=np.full(len(lower), np.inf),
        requirements=[_MARGIN] * len(lower),
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
