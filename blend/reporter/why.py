"""Why the cost of a plan, and what an item is worth to the plant, moved between two cases.

Every set of drivers moved is one linear program; their costs and shadow prices are split by
Shapley. An item is worth what its next pound is; the last pound there is comes with it (see
`between`); the cost is split a second way inside the recipes (see `recipes`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from blend.check.why import certify_plan_why
from blend.domain.case import Case
from blend.domain.certificates import Between, Certified
from blend.domain.lots import Lot
from blend.domain.selectors import Selector
from blend.reporter.between import PlansBetween, one_by_one
from blend.reporter.explained import Explained, ItemMove, Observed, explained
from blend.reporter.mixed import PLAN_DRIVERS, Driver, TwoCases
from blend.reporter.recipes import RecipeSplit, recipe_split


@dataclass(frozen=True, slots=True)
class PlanWhy:
    """Why the cost of the plan and what the item is worth moved."""

    item: Selector
    reference: Lot
    """The lot that represents the item: the largest of its lots."""
    cost: Explained
    """USD."""
    value: ItemMove
    recipe: RecipeSplit
    plans: int
    """Different cases among the mixtures, each a linear program."""
    between: Mapping[frozenset[str], Between] = field(default_factory=dict)
    """What `certified` needs, by set of drivers moved; there where it was asked for."""

    def certified(self) -> Certified:
        """Check every case between and the splits without the solver; of an answer made with
        `certify`."""
        reported = {
            "cost": self.cost.shares,
            "next": self.value.next.shares,
            "last": self.value.last.shares,
        }
        return certify_plan_why(PLAN_DRIVERS, self.reference, self.between, reported)


def why_plan_moved(
    before: Case,
    after: Case,
    item: Selector,
    *,
    observed: Observed | None = None,
    shortage_penalty_usd_per_lb: float | None = None,
    certify: bool = False,
) -> PlanWhy:
    """Split the change of cost and of an item's worth among the drivers.

    `shortage_penalty_usd_per_lb` lets every product fall short at that penalty that may not fall
    short otherwise, in both cases. `certify` keeps what `PlanWhy.certified` needs. Raises NoPlan
    where one of the two cases has no plan, and InputRefused where a case between them has none,
    or where no lot is of the item.
    """
    if shortage_penalty_usd_per_lb is not None:
        before, after = (
            may_fall_short(case, shortage_penalty_usd_per_lb) for case in (before, after)
        )
    between = PlansBetween(TwoCases(before, after, item), certify)
    for end in (frozenset(), frozenset(PLAN_DRIVERS)):
        between.at(end)  # a case without a plan is reported before any mixture of the two
    # orders and rules, which change the rows, come last and are moved least often
    for moved in one_by_one(PLAN_DRIVERS):
        between.at(moved)
    cost = explained(lambda moved: between.at(moved).objective_usd, PLAN_DRIVERS)
    value = ItemMove(
        next=explained(lambda moved: between.at(moved).next_usd_per_lb, PLAN_DRIVERS),
        last=explained(lambda moved: between.at(moved).last_usd_per_lb, PLAN_DRIVERS),
        observed=observed,
    )
    ends = between.at(frozenset()), between.at(frozenset(PLAN_DRIVERS))
    return PlanWhy(
        item=item,
        reference=between.reference,
        cost=cost,
        value=value,
        recipe=recipe_split(*(end.bill for end in ends)),
        plans=len(between.solved),
        between=between.certified() if certify else {},
    )


def put_back(before: Case, after: Case, item: Selector, driver: Driver) -> Case:
    """The case after, had this driver alone stayed as it was before."""
    return TwoCases(before, after, item).mixed(set(PLAN_DRIVERS) - {driver})


def may_fall_short(case: Case, usd_per_lb: float) -> Case:
    """The case in which every product may fall short, at this penalty where it has none."""
    products = tuple(
        replace(product, shortage_penalty_usd_per_lb=usd_per_lb)
        if product.shortage_penalty_usd_per_lb is None
        else product
        for product in case.products
    )
    return replace(case, products=products)
