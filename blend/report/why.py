"""Why the cost of a plan, and the worth of an item to the grinder, moved between two cases.

Every set of drivers moved is one linear programme; their costs and worths are split by Shapley.
The worth of an item is that of its next pound: the saving from one more pound of its meat,
which is its price where it is partly used, more where it is used up, less where none is used.
Beside it stands the last pound there is, for where the two differ the plan sits on a kink.

The cost is split a second way, inside the recipes: prices at the mean recipe, and the change of
recipe, which is substitution, at mean prices (T. L. Bennet, 1920). As a check, a change of
prices alone cannot cost more than the old plan at the new prices, nor less than the new plan
saves at the old ones (concavity of the least cost in prices: Bertsimas and Tsitsiklis,
Introduction to Linear Optimization, 1997, ch. 5, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from blend.core.certificates import certificate
from blend.core.clash import explain_clash
from blend.core.solve import open_linear
from blend.core.solver import Answer, Outcome, WarmLinear
from blend.domain.case import Case
from blend.domain.certificates import NEXT_POUND, Between, Certificate
from blend.domain.lots import Lot
from blend.domain.requirements import Family
from blend.domain.rules import RuleKind
from blend.domain.selectors import Selector
from blend.errors import InputRefused, NoPlan, Problem
from blend.proof.why import AttributionProof, RecipeTerms, prove_plan_why
from blend.report.explained import Explained, ItemMove, Observed, explained
from blend.report.mixed import PLAN_DRIVERS, Driver, TwoCases
from blend.report.split import bennet

_POUND = 1.0
"""How far the item's pounds are moved to read a rate on one side."""
_LEAST_LB = 1e-6
_PRICES = frozenset({Driver.OWN_PRICE, Driver.OTHER_PRICES})


@dataclass(frozen=True, slots=True)
class LotShift:
    """One lot's part in the change of recipe, in lb per finished lb and USD."""

    lot_id: str
    before_lb_per_lb: float
    after_lb_per_lb: float
    price_usd: float
    recipe_usd: float


@dataclass(frozen=True, slots=True)
class RecipeSplit:
    """The change of the cost inside the recipes, USD; the terms add up to it.

    Where several recipes cost the same, the recipe is the one that the solver reached; prices
    and recipe together do not hang on it, each alone may.
    """

    prices_usd: float
    """Prices of meat, at the mean recipe and volume."""
    recipe_usd: float
    """Substitution: another recipe, at mean prices and volume."""
    volume_usd: float
    """More or fewer finished pounds, at the mean cost of a pound."""
    left_over_usd: float
    shortfall_usd: float
    sales_usd: float
    lots: tuple[LotShift, ...]

    @property
    def total_usd(self) -> float:
        meat = self.prices_usd + self.recipe_usd + self.volume_usd
        return meat + self.left_over_usd + self.shortfall_usd + self.sales_usd


@dataclass(frozen=True, slots=True)
class PriceBounds:
    """The change of cost that prices alone make, and what it must lie between, USD."""

    least_usd: float
    change_usd: float
    most_usd: float

    @property
    def hold(self) -> bool:
        room = 1e-7 * max(1.0, abs(self.least_usd), abs(self.most_usd))
        return self.least_usd - room <= self.change_usd <= self.most_usd + room


@dataclass(frozen=True, slots=True)
class PlanWhy:
    """Why the cost of the plan and the worth of the item moved."""

    item: Selector
    reference: Lot
    """The lot whose meat stands for the item: the largest of its lots."""
    cost: Explained
    """USD."""
    worth: ItemMove
    recipe: RecipeSplit
    bounds: PriceBounds
    plans: int
    """Different cases among the mixtures, each a linear programme."""
    between: Mapping[frozenset[Driver], Between] = field(default_factory=dict)
    """What `prove` needs, by set of drivers moved; there where it was asked for."""

    def prove(self, before: Case, after: Case) -> AttributionProof:
        """Hold it against the two cases without the solver; of an answer that was certified.

        Where products were let fall short, the cases are those that let them.
        """
        split, bounds = self.recipe, self.bounds
        return prove_plan_why(
            before,
            after,
            self.item,
            PLAN_DRIVERS,
            self.reference,
            self.between,
            {
                "cost": self.cost.shares,
                "next": self.worth.next.shares,
                "last": self.worth.last.shares,
            },
            RecipeTerms(
                split.prices_usd,
                split.recipe_usd,
                split.volume_usd,
                split.left_over_usd,
                split.shortfall_usd,
                split.sales_usd,
                {shift.lot_id: (shift.price_usd, shift.recipe_usd) for shift in split.lots},
                (bounds.least_usd, bounds.change_usd, bounds.most_usd),
            ),
        )


def why_plan_moved(
    before: Case,
    after: Case,
    item: Selector,
    *,
    observed: Observed | None = None,
    shortfall_usd_per_lb: float | None = None,
    certify: bool = False,
) -> PlanWhy:
    """Split the change of cost and of an item's worth among the drivers.

    `shortfall_usd_per_lb` lets every product fall short at that penalty that may not fall
    short otherwise, in both cases. `certify` keeps what `PlanWhy.prove` needs. Raises NoPlan
    where one of the two cases has no plan, and InputRefused where a case between them has none,
    or where no lot is of the item.
    """
    if shortfall_usd_per_lb is not None:
        before, after = (may_fall_short(case, shortfall_usd_per_lb) for case in (before, after))
    between = _PlansBetween(TwoCases(before, after, item), certify)
    for end in (frozenset(), frozenset(PLAN_DRIVERS)):
        between.at(end)  # that a case itself has no plan is told before any mixture of the two
    # orders and rules, which change the rows, come last and are moved least often
    for moved in _one_by_one(PLAN_DRIVERS):
        between.at(moved)
    cost = explained(lambda moved: between.at(moved).objective_usd, PLAN_DRIVERS)
    worth = ItemMove(
        next=explained(lambda moved: between.at(moved).next_usd_per_lb, PLAN_DRIVERS),
        last=explained(lambda moved: between.at(moved).last_usd_per_lb, PLAN_DRIVERS),
        observed=observed,
    )
    ends = between.at(frozenset()), between.at(frozenset(PLAN_DRIVERS))
    return PlanWhy(
        item=item,
        reference=between.reference,
        cost=cost,
        worth=worth,
        recipe=recipe_split(*(end.bill for end in ends)),
        bounds=_price_bounds(ends[0], between.at(_PRICES)),
        plans=len(between.solved),
        between=between.certified() if certify else {},
    )


def _one_by_one(drivers: Sequence[Driver]) -> Iterator[frozenset[Driver]]:
    """Every set of drivers, each differing from the last by one (Gray's order), the first
    drivers moved most often: by measurement half the work of the solver's other orders."""
    for number in range(2 ** len(drivers)):
        code = number ^ (number >> 1)
        yield frozenset(driver for place, driver in enumerate(drivers) if code >> place & 1)


def put_back(before: Case, after: Case, item: Selector, driver: Driver) -> Case:
    """The case after, had this driver alone stayed as it was before."""
    return TwoCases(before, after, item).mixed(set(PLAN_DRIVERS) - {driver})


def may_fall_short(case: Case, usd_per_lb: float) -> Case:
    """The case in which every product may fall short, at this penalty where it has none."""
    products = tuple(
        replace(product, shortfall_usd_per_lb=usd_per_lb)
        if product.shortfall_usd_per_lb is None
        else product
        for product in case.products
    )
    return replace(case, products=products)


# The cases between -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bill:
    """What a plan buys, leaves over, lacks and sells: price and quantity of each."""

    bought: dict[str, tuple[float, float]]
    """By lot: delivered price and pounds taken."""
    left_over: dict[str, tuple[float, float]]
    short: dict[str, tuple[float, float]]
    """By product: penalty and pounds short."""
    sold: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class _Valued:
    """The optimum of one case between."""

    objective_usd: float
    next_usd_per_lb: float
    last_usd_per_lb: float
    cost: np.ndarray
    x: np.ndarray
    bill: Bill
    certificates: tuple[Certificate, ...] = ()
    """Of the optimum, with a pound more and, where the last pound was read, with one less."""


class _PlansBetween:
    """The optima of the cases between two cases, each solved once.

    Programmes that differ in prices and pounds alone are solved warm one after the other.
    """

    def __init__(self, two: TwoCases, certify: bool = False) -> None:
        self.two = two
        self._certify = certify
        self.reference = _reference(two)
        self._next = replace(
            self.reference,
            lot_id=self.reference.lot_id + NEXT_POUND,
            quantity_lb=_POUND,
            price_usd_per_lb=0.0,
            freight_usd_per_lb=0.0,
            leftover_value_usd_per_lb=0.0,
            least_purchase_lb=0.0,
        )
        self._linears: dict[frozenset[Driver], WarmLinear] = {}
        self.solved: dict[Case, _Valued] = {}
        """By case: a driver that did not move leaves the case as it was."""
        self._known: dict[frozenset[Driver], _Valued] = {}

    def at(self, moved: frozenset[Driver]) -> _Valued:
        if moved not in self._known:
            case = self.two.mixed(moved)
            if case not in self.solved:
                self.solved[case] = self._solve(moved, case)
            self._known[moved] = self.solved[case]
        return self._known[moved]

    def _solve(self, moved: frozenset[Driver], case: Case) -> _Valued:
        linear = self._opened(moved, case)
        _set_to(linear, case)
        answer = linear.solve()
        if answer.outcome is not Outcome.OPTIMAL:
            # a warm part may lack the columns it would need: the whole programme decides
            linear = WarmLinear(linear.programme)
            _set_to(linear, case)
            answer = linear.solve()
        if answer.outcome is not Outcome.OPTIMAL:
            self._refuse(moved, case, answer.outcome)
        cost = linear.cost.copy()
        more, less = self._with_next(linear), self._without_last(linear, case, answer)
        following = last = max(0.0, _pound_saves(linear, self._next, more))
        if less is not None:
            lot = case.lot(self.reference.lot_id)
            last = max(following, lot.delivered_usd_per_lb + _pound_saves(linear, lot, less))
        optima = (answer, more) if less is None else (answer, more, less)
        return _Valued(
            objective_usd=answer.objective,
            next_usd_per_lb=following,
            last_usd_per_lb=last,
            cost=cost,
            x=answer.x,
            bill=_bill(linear, case, answer),
            certificates=tuple(certificate(linear.programme, each) for each in optima)
            if self._certify
            else (),
        )

    def certified(self) -> dict[frozenset[Driver], Between]:
        """By set of drivers; equal cases share one entry."""
        known: dict[Case, Between] = {}
        for case, valued in self.solved.items():
            optimum, following, *last = valued.certificates
            known[case] = Between(
                case,
                optimum,
                valued.objective_usd,
                following,
                valued.next_usd_per_lb,
                last[0] if last else None,
                valued.last_usd_per_lb,
            )
        return {moved: known[self.two.mixed(moved)] for moved in _one_by_one(PLAN_DRIVERS)}

    def _opened(self, moved: frozenset[Driver], case: Case) -> WarmLinear:
        """The programme that has room for every price and quantity of the two cases."""
        key = moved & ({Driver.ORDERS, Driver.RULES} | self.two.recast)
        if key not in self._linears:
            roomy = tuple(replace(lot, quantity_lb=self._most_lb(lot.lot_id)) for lot in case.lots)
            self._linears[key] = open_linear(self._with_next_pound(replace(case, lots=roomy)))
        return self._linears[key]

    def _with_next_pound(self, case: Case) -> Case:
        reference_id, next_id = self.reference.lot_id, self._next.lot_id
        rules = tuple(
            replace(
                rule,
                excess_heat_btu_per_lb=(
                    *rule.excess_heat_btu_per_lb,
                    (next_id, dict(rule.excess_heat_btu_per_lb)[reference_id]),
                ),
            )
            if rule.kind is RuleKind.WARMTH
            else rule
            for rule in case.rules
        )
        return replace(case, lots=(*case.lots, self._next), rules=rules)

    def _most_lb(self, lot_id: str) -> float | None:
        quantities = [lot.quantity_lb for lot in self.two.sides(lot_id)]
        return None if None in quantities else max(quantities)

    def _with_next(self, linear: WarmLinear) -> Answer:
        """The optimum with one more pound of the reference meat."""
        column = _take_column(linear, self._next.lot_id)
        linear.set_column_bounds(column, 0.0, _POUND)
        answer = linear.solve()
        linear.set_column_bounds(column, 0.0, 0.0)
        return answer

    def _without_last(self, linear: WarmLinear, case: Case, answer: Answer) -> Answer | None:
        """The optimum with one pound less of the reference lot; None where none of it is used,
        or where no plan does without the pound."""
        lot = case.lot(self.reference.lot_id)
        column = _take_column(linear, lot.lot_id)
        if lot.most_lb <= _POUND or answer.x[column] <= _LEAST_LB:
            return None
        upper = float(linear.upper[column])
        linear.set_column_bounds(column, 0.0, upper - _POUND)
        without = linear.solve()
        linear.set_column_bounds(column, 0.0, upper)
        return without if without.outcome is Outcome.OPTIMAL else None

    def _refuse(self, moved: frozenset[Driver], case: Case, outcome: Outcome) -> None:
        if outcome is Outcome.UNBOUNDED:
            read = "products and lots without a limit, so that money could be made without end"
            raise InputRefused([Problem("products", None, "most_lb", read, "a most volume")])
        clash = explain_clash(case, whole=False)
        if moved in (frozenset(), frozenset(PLAN_DRIVERS)):
            raise NoPlan(clash)
        orders = {
            requirement.product_id
            for requirement in clash.requirements
            if requirement.family in (Family.VOLUME_LEAST, Family.MUST_USE)
        } - {""}
        read = f"no plan for the case with {_listed(moved)} as after and the rest as before"
        allowed = "two cases of which every mixture has a plan"
        names = ", ".join(sorted(orders)) or "the products"
        hint = f"Let {names} fall short: shortfall_usd_per_lb in products, or --shortfall."
        raise InputRefused([Problem("before and after", None, None, read, allowed, hint)])


def _listed(moved: frozenset[Driver]) -> str:
    return ", ".join(driver for driver in PLAN_DRIVERS if driver in moved)


def _reference(two: TwoCases) -> Lot:
    """The largest lot of the item: after, or before where none is left."""
    for side in (1, 0):
        lots = [two.sides(lot_id)[side] for lot_id in sorted(two.own_ids)]
        there = [lot for lot in lots if lot.most_lb > 0]
        if there:
            return max(there, key=lambda lot: lot.most_lb)
    allowed = "conditions that some usable lot meets, such as item=fresh 90s"
    raise InputRefused([Problem("lots", None, None, f"no lot with {two.item}", allowed)])


def _set_to(linear: WarmLinear, case: Case) -> None:
    """Give an open programme the prices and pounds of a case; the next pound stays out."""
    programme, layout = linear.programme, linear.programme.layout
    is_next = np.array([lot.lot_id.endswith(NEXT_POUND) for lot in layout.lots])
    lots = [
        lot if out else case.lot(lot.lot_id) for lot, out in zip(layout.lots, is_next, strict=True)
    ]
    price = np.array([lot.delivered_usd_per_lb for lot in lots])
    left_over = np.array([lot.leftover_value_usd_per_lb for lot in lots])
    most = np.where(is_next, 0.0, [lot.most_lb for lot in lots])
    take = np.arange(programme.take.start, programme.take.stop)
    use = np.arange(programme.use.start, programme.use.stop)
    linear.set_cost(take, price - left_over)
    linear.set_cost(use, left_over[layout.pair_lot])
    moved = np.flatnonzero(linear.upper[take] != most)
    if len(moved):
        linear.set_columns_bounds(take[moved], 0.0, most[moved])
    rules = {rule.rule_id: rule for rule in case.binding_rules()}
    for row, requirement in enumerate(programme.requirements):
        if requirement.family is Family.MUST_USE:
            rule = rules[requirement.rule_id]
            if rule.least_lb is None:
                chosen = layout.chosen(rule.lots)
                linear.set_row_bounds(row, float(most[chosen].sum()), np.inf)


def _pound_saves(linear: WarmLinear, lot: Lot, answer: Answer) -> float:
    """What one more pound of a lot saves after its price."""
    return -float(answer.column_dual[_take_column(linear, lot.lot_id)])


def _take_column(linear: WarmLinear, lot_id: str) -> int:
    return linear.programme.take.start + linear.programme.layout.lot_index[lot_id]


# Inside the recipes ------------------------------------------------------------------------------


def _bill(linear: WarmLinear, case: Case, answer: Answer) -> Bill:
    programme, layout = linear.programme, linear.programme.layout
    taken = answer.x[programme.take]
    used = np.bincount(layout.pair_lot, answer.x[programme.use], len(layout.lots))
    bought, left_over = {}, {}
    for index, lot_id in enumerate(lot.lot_id for lot in layout.lots):
        if lot_id.endswith(NEXT_POUND):
            continue
        lot = case.lot(lot_id)
        bought[lot_id] = lot.delivered_usd_per_lb, float(taken[index])
        left_over[lot_id] = lot.leftover_value_usd_per_lb, float(taken[index] - used[index])
    finished = answer.x[programme.names["finished"]]
    may_fall_short = [p for p in layout.products if p.shortfall_usd_per_lb is not None]
    short = answer.x[programme.names["short"]]
    return Bill(
        bought=bought,
        left_over=left_over,
        short={
            product.product_id: (product.shortfall_usd_per_lb, float(lb))
            for product, lb in zip(may_fall_short, short, strict=True)
        },
        sold={
            product.product_id: (product.sale_usd_per_lb, float(lb))
            for product, lb in zip(layout.products, finished, strict=True)
        },
    )


def recipe_split(before: Bill, after: Bill) -> RecipeSplit:
    """Split the change of cost between two plans inside their recipes.

    Meat is volume × Σ price × pounds per finished pound, split by Bennet twice over.
    """
    volumes = [sum(lb for _, lb in bill.sold.values()) for bill in (before, after)]
    spent = [sum(price * lb for price, lb in bill.bought.values()) for bill in (before, after)]
    if min(volumes) <= _LEAST_LB:
        shifts, volume_usd = (), spent[1] - spent[0]
    else:
        shifts = _shifts(_paired(before.bought, after.bought), volumes)
        unit = [usd / lb for usd, lb in zip(spent, volumes, strict=True)]
        volume_usd = sum(unit) / 2 * (volumes[1] - volumes[0])
    return RecipeSplit(
        prices_usd=sum(shift.price_usd for shift in shifts),
        recipe_usd=sum(shift.recipe_usd for shift in shifts),
        volume_usd=volume_usd,
        left_over_usd=-_change(before.left_over, after.left_over),
        shortfall_usd=_change(before.short, after.short),
        sales_usd=-_change(before.sold, after.sold),
        lots=shifts,
    )


_Pair = tuple[tuple[float, float], tuple[float, float]]


def _paired(
    before: dict[str, tuple[float, float]], after: dict[str, tuple[float, float]]
) -> dict[str, _Pair]:
    """Price and quantity on both sides; nothing at the other side's price where one is out."""
    return {
        name: (
            before.get(name, (after.get(name, (0.0, 0.0))[0], 0.0)),
            after.get(name, (before.get(name, (0.0, 0.0))[0], 0.0)),
        )
        for name in sorted(before.keys() | after.keys())
    }


def _shifts(rows: dict[str, _Pair], volumes: list[float]) -> tuple[LotShift, ...]:
    """The lots that either plan buys."""
    rows = {lot_id: pair for lot_id, pair in rows.items() if max(pair[0][1], pair[1][1]) > 0}
    price = [[pair[side][0] for pair in rows.values()] for side in (0, 1)]
    share = [[pair[side][1] / volumes[side] for pair in rows.values()] for side in (0, 1)]
    parts = bennet(price[0], share[0], price[1], share[1])
    mean_volume = sum(volumes) / 2
    return tuple(
        LotShift(lot_id, before, after, mean_volume * by_price, mean_volume * by_share)
        for lot_id, before, after, by_price, by_share in zip(
            rows, *share, parts.price, parts.quantity, strict=True
        )
    )


def _change(before: dict[str, tuple[float, float]], after: dict[str, tuple[float, float]]) -> float:
    return sum(p1 * x1 - p0 * x0 for (p0, x0), (p1, x1) in _paired(before, after).values())


def _price_bounds(before: _Valued, repriced: _Valued) -> PriceBounds:
    """Both are of one programme, so their columns are the same."""
    move = repriced.cost - before.cost
    return PriceBounds(
        least_usd=float(move @ repriced.x),
        change_usd=repriced.objective_usd - before.objective_usd,
        most_usd=float(move @ before.x),
    )
