"""The model of a plan, written as on paper in PuLP: an independent statement to check blend.model.

Start at `LINEAR_CLASSES` and `WHOLE_CLASSES`: every requirement is one short function that
states its rows. What is chosen (all in lb, all at least 0):

    use[l, p, b]      of lot l put into batch b of product p, as weighed before losses
    finished[p, b]    of batch b of product p, after losses
    take[l]           of lot l, bought or pulled
    short[p]          by which the order of product p is not met

A pound of lot l in product p keeps lean[l, p] and fat[l, p]; kept[l, p] is their sum, so

    finished[p, b] = Σ_l kept[l, p] · use[l, p, b]

and every share is one of finished pounds. A product whose batches share one recipe is blended
as one: it has the single "batch" 1 and an integer number of real batches. Only where each
batch receives whole containers (`WholeContainers.PER_BATCH`) do batches differ: then lean,
fat, shares and fill are met by every batch, and the rules that count lots or keep them apart
by the product, its batches together.

Nothing here is quick, and nothing is shared with the core but the domain: an error in one of
the two would have to be made twice. PuLP 3 brings CBC; HiGHS is used through `highspy`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind, WholeContainers, kept_per_lb
from blend.domain.selectors import EVERY_LOT, Selector

if TYPE_CHECKING:
    from pulp import LpAffineExpression, LpProblem, LpVariable


@dataclass(frozen=True, slots=True)
class ReferenceAnswer:
    """What the reference found.

    `status` is "optimal", "infeasible", "unbounded" or "stopped" (out of time). Pounds are
    given when it is optimal, or stopped with some plan in hand; otherwise there are none and
    `objective_usd` is None. `use_lb` holds every pair that may meet, those at 0 too.
    """

    status: str
    objective_usd: float | None = None
    take_lb: dict[str, float] = field(default_factory=dict)
    use_lb: dict[tuple[str, str], float] = field(default_factory=dict)
    short_lb: dict[str, float] = field(default_factory=dict)


def solve_reference(
    case: Case,
    *,
    relax: bool = False,
    solver: str = "cbc",
    gap_share: float = 1e-9,
    time_limit_s: float | None = None,
) -> ReferenceAnswer:
    """State the case in full, solve it with `solver` ("cbc" or "highs"), read it back.

    `relax` means the linear program: lean, fat, shares, volume, supply and must-use. What
    acts through whole numbers alone is left out: least purchases, lots that cannot be split,
    whole containers, batches and the rules that count lots or keep them apart.
    Raises PuLP's PulpError where a pound must be counted that nobody stated: a lot without a
    quantity that cannot be split, or that a rule wants used to the last.
    """
    model = state_model(case, relax=relax)
    status, has_plan = solve_problem(model.problem, solver, gap_share, time_limit_s)
    if not has_plan:
        return ReferenceAnswer(status)
    return ReferenceAnswer(
        status,
        # PuLP has no value for an objective in which nothing costs anything
        objective_usd=model.problem.objective.value() or 0.0,
        take_lb={lot_id: take.value() for lot_id, take in model.take.items()},
        use_lb={
            (lot.lot_id, product.product_id): model.used_lb(lot, product).value()
            for product in case.products
            for lot in model.may_hold[product.product_id]
        },
        short_lb={product_id: short.value() for product_id, short in model.short.items()},
    )


# What is chosen ---------------------------------------------------------------------------------


@dataclass
class Statement:
    """The program while it is stated: its choices, and sums over them by trade name."""

    case: Case
    problem: LpProblem
    may_hold: dict[str, list[Lot]]
    """By product: the lots that may go into it."""
    batches: dict[str, range]
    """By product: the numbers of its batches, 1 alone where it is blended as one."""
    use: dict[tuple[str, str, int], LpVariable] = field(default_factory=dict)
    finished: dict[tuple[str, int], LpVariable] = field(default_factory=dict)
    take: dict[str, LpVariable] = field(default_factory=dict)
    short: dict[str, LpVariable] = field(default_factory=dict)
    _is_used: dict[tuple[str, str, int], LpVariable] = field(default_factory=dict)
    _number: Iterator[int] = field(default_factory=itertools.count)

    def state(self, row: Any) -> None:
        """Add one row to the program."""
        self.problem += row

    def pounds(self, max_lb: float = math.inf) -> LpVariable:
        return self._variable(max_lb, "Continuous")

    def whole_number(self, maximum: float = math.inf) -> LpVariable:
        return self._variable(maximum, "Integer")

    def yes_or_no(self) -> LpVariable:
        return self.whole_number(maximum=1)

    def _variable(self, maximum: float, category: str) -> LpVariable:
        upper = None if math.isinf(maximum) else maximum
        # numbered: ids from a sheet may hold signs that a solver's file format does not allow
        return self.problem.add_variable(f"v{next(self._number)}", 0, upper, category)

    # Sums by trade name

    def kept(self, lot: Lot, product: Product) -> float:
        """Finished lb per lb put in."""
        return sum(kept_per_lb(lot, product, self.case.losses))

    def finished_lean_lb(self, product: Product, batch: int) -> LpAffineExpression:
        return total(
            kept_per_lb(lot, product, self.case.losses)[0] * use
            for lot, use in self.uses(product, batch)
        )

    def finished_fat_lb(self, product: Product, batch: int) -> LpAffineExpression:
        return total(
            kept_per_lb(lot, product, self.case.losses)[1] * use
            for lot, use in self.uses(product, batch)
        )

    def finished_of_lots_lb(
        self, product: Product, batch: int, lots: Selector
    ) -> LpAffineExpression:
        return total(
            self.kept(lot, product) * use
            for lot, use in self.uses(product, batch)
            if lots.holds(lot)
        )

    def made_lb(self, product: Product) -> LpAffineExpression:
        """v[p]: finished lb of the product, over its batches."""
        batches = self.batches[product.product_id]
        return total(self.finished[product.product_id, batch] for batch in batches)

    def used_lb(self, lot: Lot, product: Product) -> LpAffineExpression:
        """x[l, p]: lb of the lot put into the product, over its batches."""
        batches = self.batches[product.product_id]
        keys = [(lot.lot_id, product.product_id, batch) for batch in batches]
        return total(self.use[key] for key in keys if key in self.use)

    def used_of_lot_lb(self, lot: Lot) -> LpAffineExpression:
        return total(self.used_lb(lot, product) for product in self.case.products)

    # What to run through

    def uses(self, product: Product, batch: int) -> Iterable[tuple[Lot, LpVariable]]:
        for lot in self.may_hold[product.product_id]:
            yield lot, self.use[lot.lot_id, product.product_id, batch]

    def blends(self, products: Iterable[Product] | None = None) -> Iterable[tuple[Product, int]]:
        """Batches of some products, of all where none are named."""
        for product in self.case.products if products is None else products:
            for batch in self.batches[product.product_id]:
                yield product, batch

    def rules(self, kind: RuleKind) -> Iterable[tuple[Rule, list[Product]]]:
        """The binding rules of one kind, each with the products it governs."""
        for rule in self.case.binding_rules():
            if rule.kind is kind:
                yield rule, [product for product in self.case.products if rule.governs(product)]

    def chosen(self, lots: Selector, product: Product) -> list[Lot]:
        return [lot for lot in self.may_hold[product.product_id] if lots.holds(lot)]

    # Limits that tie a yes-or-no to pounds; the tighter, the better solvers do

    def max_use_lb(self, lot: Lot, product: Product) -> float:
        """No more than there is, nor than fills the most that may be made."""
        return min(lot.max_lb, product.max_lb_or_infinite / self.kept(lot, product), self.ample_lb)

    def max_made_lb(self, product: Product) -> float:
        of_supply = sum(
            self.kept(lot, product) * self.max_use_lb(lot, product)
            for lot in self.may_hold[product.product_id]
        )
        return min(product.max_lb_or_infinite, of_supply)

    @cached_property
    def ample_lb(self) -> float:
        """Stands in where neither the seller nor the order states a limit.

        Ten times everything stated: the one number here that is judgment, not mathematics.
        """
        stated = [lot.quantity_lb or lot.min_purchase_lb for lot in self.case.usable_lots()]
        asked = [product.min_lb + product.blender_max_lb for product in self.case.products]
        return 10 * (sum(stated) + sum(asked))

    def is_used(self, lot: Lot, product: Product, batch: int) -> LpVariable:
        """1 where the lot is used in the blend at all; stated when first asked for."""
        key = lot.lot_id, product.product_id, batch
        if key not in self._is_used:
            self._is_used[key] = self.yes_or_no()
            self.state(self.use[key] <= self.max_use_lb(lot, product) * self._is_used[key])
        return self._is_used[key]


def total(terms: Iterable[Any]) -> LpAffineExpression:
    """Σ over the terms."""
    from pulp import lpSum

    return lpSum(list(terms))


def may_hold(case: Case, product: Product) -> list[Lot]:
    """Lots usable on the day, of the product's species and programs, that no rule bars."""
    bars = [rule for rule in case.binding_rules() if rule.kind is RuleKind.MUST_NOT_USE]
    return [
        lot
        for lot in case.usable_lots()
        if lot.species in product.species
        and product.label_claims <= lot.label_claims
        and not any(bar.governs(product) and bar.lots.holds(lot) for bar in bars)
    ]


def batches_of(case: Case, product: Product, *, relax: bool) -> range:
    """Numbers of the batches that may differ; 1 alone where the product is blended as one."""
    if relax or case.settings.whole_containers is not WholeContainers.PER_BATCH:
        return range(1, 2)
    return range(1, product.batches_ahead + 1)


def state_model(case: Case, *, relax: bool = False) -> Statement:
    """The whole program: choices, objective, then every constraint."""
    from pulp import LpMinimize, LpProblem

    model = Statement(
        case=case,
        problem=LpProblem("blend", LpMinimize),
        may_hold={product.product_id: may_hold(case, product) for product in case.products},
        batches={
            product.product_id: batches_of(case, product, relax=relax) for product in case.products
        },
    )
    state_choices(model)
    state_objective(model)
    for state_constraint_class in LINEAR_CLASSES + (() if relax else WHOLE_CLASSES):
        state_constraint_class(model)
    return model


def state_choices(model: Statement) -> None:
    """finished[p, b] = Σ_l kept[l, p] · use[l, p, b]"""
    for lot in model.case.usable_lots():
        model.take[lot.lot_id] = model.pounds(max_lb=lot.max_lb)
    for product in model.case.products:
        if product.shortage_penalty_usd_per_lb is not None and product.min_lb > 0:
            model.short[product.product_id] = model.pounds(max_lb=product.min_lb)
    for product, batch in model.blends():
        model.finished[product.product_id, batch] = model.pounds()
        for lot in model.may_hold[product.product_id]:
            model.use[lot.lot_id, product.product_id, batch] = model.pounds()
        model.state(
            model.finished[product.product_id, batch]
            == model.finished_of_lots_lb(product, batch, lots=EVERY_LOT)
        )


def state_objective(model: Statement) -> None:
    """Least USD: what is taken, less what is left over is worth, plus shortfalls, less sales."""
    taken = total(
        lot.delivered_usd_per_lb * model.take[lot.lot_id] for lot in model.case.usable_lots()
    )
    left_over = total(
        lot.salvage_value_usd_per_lb * (model.take[lot.lot_id] - model.used_of_lot_lb(lot))
        for lot in model.case.usable_lots()
    )
    fallen_short = total(
        model.case.product(product_id).shortage_penalty_usd_per_lb * short
        for product_id, short in model.short.items()
    )
    sold = total(
        product.sale_usd_per_lb * model.made_lb(product) for product in model.case.products
    )
    model.problem.setObjective(taken - left_over + fallen_short - sold)


# The linear program ---------------------------------------------------------------------------


def state_lean(model: Statement) -> None:
    """min_lean · finished <= finished lean <= max_lean · finished"""
    for product, batch in model.blends():
        finished = model.finished[product.product_id, batch]
        lean = model.finished_lean_lb(product, batch)
        model.state(lean >= product.min_lean * finished)
        model.state(lean <= product.max_lean * finished)


def state_fat(model: Statement) -> None:
    """min_share · finished <= finished fat <= max_share · finished, for each fat rule"""
    for rule, governed in model.rules(RuleKind.FAT):
        for product, batch in model.blends(governed):
            fat = model.finished_fat_lb(product, batch)
            _state_share(model, rule, fat, model.finished[product.product_id, batch])


def state_shares(model: Statement) -> None:
    """min_share · finished <= finished of the selected lots <= max_share · finished"""
    for rule, governed in model.rules(RuleKind.SHARE):
        for product, batch in model.blends(governed):
            selected = model.finished_of_lots_lb(product, batch, rule.lots)
            _state_share(model, rule, selected, model.finished[product.product_id, batch])


def _state_share(
    model: Statement, rule: Rule, part: LpAffineExpression, finished: LpVariable
) -> None:
    if rule.min_share is not None:
        model.state(part >= rule.min_share * finished)
    if rule.max_share is not None:
        model.state(part <= rule.max_share * finished)


def state_temperature(model: Statement) -> None:
    """Σ_l excess heat[l] · use[l, p, b] <= 0, Btu"""
    for rule, governed in model.rules(RuleKind.MAX_TEMP):
        excess = dict(rule.excess_heat_btu_per_lb)
        for product, batch in model.blends(governed):
            brought = total(excess[lot.lot_id] * use for lot, use in model.uses(product, batch))
            model.state(brought <= 0)


def state_volume(model: Statement) -> None:
    """min_lb <= made + short (short only where it has a price); made <= max_lb"""
    for product in model.case.products:
        made = model.made_lb(product)
        if product.min_lb > 0:
            model.state(made + model.short.get(product.product_id, 0) >= product.min_lb)
        if product.max_lb is not None:
            model.state(made <= product.max_lb)


def state_supply(model: Statement) -> None:
    """Σ_p x[l, p] <= take[l] <= quantity_lb; the second is the bound of the choice itself"""
    for lot in model.case.usable_lots():
        model.state(model.used_of_lot_lb(lot) <= model.take[lot.lot_id])


def state_must_use(model: Statement) -> None:
    """Σ x[l, p] >= min_lb, over the selected lots and governed products; blank means all"""
    for rule, governed in model.rules(RuleKind.MUST_USE):
        selected = [lot for lot in model.case.usable_lots() if rule.lots.holds(lot)]
        min_lb = sum(lot.max_lb for lot in selected) if rule.min_lb is None else rule.min_lb
        used = total(
            model.used_lb(lot, product)
            for product in governed
            for lot in model.chosen(rule.lots, product)
        )
        model.state(used >= min_lb)


# What needs whole numbers -----------------------------------------------------------------------


def state_batches(model: Statement) -> None:
    """blender_min_lb · k <= finished <= blender_max_lb · k, k whole

    k is the number of batches, 0 or 1 where each batch is blended for itself.
    """
    batches_differ = model.case.settings.whole_containers is WholeContainers.PER_BATCH
    for product, batch in model.blends():
        finished = model.finished[product.product_id, batch]
        count = model.yes_or_no() if batches_differ else model.whole_number()
        model.state(finished >= product.blender_min_lb * count)
        model.state(finished <= product.blender_max_lb * count)


def state_equal_recipe(model: Statement) -> None:
    """use[l, p, b] = use[l, p, 1] for every batch; true by itself where blended as one

    A batch that is not run would have to equal one that is, so all laid out are run or none.
    """
    for _, governed in model.rules(RuleKind.EQUAL_RECIPE):
        for product, batch in model.blends(governed):
            if batch > 1:
                for lot, use in model.uses(product, batch):
                    model.state(use == model.use[lot.lot_id, product.product_id, 1])


def state_min_purchase(model: Statement) -> None:
    """take[l] = 0 or take[l] >= min_purchase_lb"""
    for lot in model.case.usable_lots():
        if lot.min_purchase_lb > 0:
            is_taken, take = model.yes_or_no(), model.take[lot.lot_id]
            model.state(take >= lot.min_purchase_lb * is_taken)
            model.state(take <= min(lot.max_lb, model.ample_lb) * is_taken)


def state_unsplit_lots(model: Statement) -> None:
    """take[l] = 0 or take[l] = quantity_lb, where the lot cannot be split"""
    for lot in model.case.usable_lots():
        if lot.must_take_all:
            model.state(model.take[lot.lot_id] == lot.max_lb * model.yes_or_no())


def state_whole_containers(model: Statement) -> None:
    """take[l], and where asked each x[l, p] or use[l, p, b], is a whole number of containers

    One statement serves the last two: where products receive whole containers they are
    blended as one, so that use[l, p, 1] is x[l, p].
    """
    where = model.case.settings.whole_containers
    if where is WholeContainers.NO:
        return
    for lot in model.case.usable_lots():
        if lot.container != "loose":
            model.state(model.take[lot.lot_id] == lot.container_lb * model.whole_number())
    if where is WholeContainers.TAKEN:
        return
    for product, batch in model.blends():
        for lot, use in model.uses(product, batch):
            if lot.container != "loose":
                model.state(use == lot.container_lb * model.whole_number())


def state_max_lots(model: Statement) -> None:
    """Σ_l is_used[l, p, b] <= max_count, over the selected lots"""
    for rule, governed in model.rules(RuleKind.MAX_LOTS):
        for product, batch in model.blends(governed):
            chosen = model.chosen(rule.lots, product)
            used = [model.is_used(lot, product, batch) for lot in chosen]
            model.state(total(used) <= rule.max_count)


def state_min_if_used(model: Statement) -> None:
    """kept[l, p] · use[l, p, b] >= min_share · (finished - most · (1 - is_used[l, p, b]))"""
    for rule, governed in model.rules(RuleKind.MIN_IF_USED):
        for product, batch in model.blends(governed):
            made, max_made_lb = (
                model.finished[product.product_id, batch],
                model.max_made_lb(product),
            )
            for lot in model.chosen(rule.lots, product):
                lacking = max_made_lb * (1 - model.is_used(lot, product, batch))
                use = model.use[lot.lot_id, product.product_id, batch]
                model.state(model.kept(lot, product) * use >= rule.min_share * (made - lacking))


def state_keep_apart(model: Statement) -> None:
    """is_used[l, p, b] + is_used[k, p, b] <= 1, l among `lots`, k another among `against`"""
    for rule, governed in model.rules(RuleKind.KEEP_APART):
        for product, batch in model.blends(governed):
            for lot in model.chosen(rule.lots, product):
                for other in model.chosen(rule.against, product):
                    if other is not lot:
                        mine = model.is_used(lot, product, batch)
                        model.state(mine + model.is_used(other, product, batch) <= 1)


LINEAR_CLASSES = (
    state_lean,
    state_fat,
    state_shares,
    state_volume,
    state_supply,
    state_must_use,
    state_temperature,
)
WHOLE_CLASSES = (
    state_batches,
    state_equal_recipe,
    state_min_purchase,
    state_unsplit_lots,
    state_whole_containers,
    state_max_lots,
    state_min_if_used,
    state_keep_apart,
)


# Solving ----------------------------------------------------------------------------------------


def solve_problem(
    problem: LpProblem, solver_name: str, gap_share: float, time_limit_s: float | None
) -> tuple[str, bool]:
    """The status, and whether the choices hold a plan."""
    import pulp

    options = {"msg": False, "gapRel": gap_share, "timeLimit": time_limit_s}
    solver = {
        "cbc": lambda: pulp.PULP_CBC_CMD(**options),
        # one thread, as in the core: HiGHS refuses to run with another number later on
        "highs": lambda: pulp.HiGHS(threads=1, **options),
    }[solver_name]()
    problem.solve(solver)
    if problem.sol_status == pulp.LpSolutionOptimal:
        return "optimal", True
    if problem.sol_status == pulp.LpSolutionIntegerFeasible:
        return "stopped", problem.isMIP()
    if problem.status == pulp.LpStatusNotSolved:
        return "stopped", False
    # A solver may say no more than "infeasible or unbounded". What has an answer once nothing
    # is to be minimized is not infeasible.
    problem.setObjective(pulp.lpSum([]))
    problem.solve(solver)
    said = {pulp.LpStatusOptimal: "unbounded", pulp.LpStatusInfeasible: "infeasible"}
    return said.get(problem.status, "stopped"), False
