"""A plan: quantities, break-even prices and certificate in one frozen object.

Inputs are never written to.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from blend.domain.requirements import ConstraintClass, Requirement


@dataclass(frozen=True, slots=True)
class Take:
    """What is bought (from an offer) or pulled (from stock) of one lot."""

    lot_id: str
    pounds_lb: float
    containers: int | None
    """Whole containers, None for loose meat or where containers may be broken."""
    used_lb: float

    @property
    def leftover_lb(self) -> float:
        return self.pounds_lb - self.used_lb


@dataclass(frozen=True, slots=True)
class Ingredient:
    """Pounds of one lot that go into one batch, as weighed before losses."""

    lot_id: str
    pounds_lb: float
    containers: int | None = None


@dataclass(frozen=True, slots=True)
class BatchRun:
    """One or more batches of one product made to one recipe."""

    product_id: str
    batches: int
    ingredients: tuple[Ingredient, ...]
    """For one batch."""
    finished_lb: float
    """Of one batch, after losses."""
    lean: float
    """Of one batch, after losses."""


@dataclass(frozen=True, slots=True)
class Money:
    """What the plan costs, USD. `total_usd` is what is minimized: cash that the plan can avoid,
    with stock at what it is worth if kept."""

    meat_usd: float
    """Meat that is bought, like `freight_usd`."""
    freight_usd: float
    salvage_value_usd: float
    shortage_penalty_usd: float
    sales_usd: float
    finished_lb: float
    stock_usd: float = 0.0
    """Stock pulled, at what it is worth if kept."""
    stock_books_usd: float = 0.0
    """The same stock at what it cost."""

    @property
    def total_usd(self) -> float:
        bought_usd = self.meat_usd + self.freight_usd - self.salvage_value_usd
        return bought_usd + self.stock_usd + self.shortage_penalty_usd - self.sales_usd

    @property
    def books_total_usd(self) -> float:
        """The total with stock at what it cost."""
        return self.total_usd - self.stock_usd + self.stock_books_usd

    @property
    def usd_per_finished_lb(self) -> float | None:
        """Meat and freight less leftovers, stock at what it cost, a finished pound; None when
        nothing is made."""
        meat_usd = self.meat_usd + self.freight_usd + self.stock_books_usd - self.salvage_value_usd
        return meat_usd / self.finished_lb if self.finished_lb else None


class Step(StrEnum):
    """The step that a worth is for."""

    LEAN_POINT = "lean point"
    SHARE_POINT = "point of share"
    CWT = "cwt"
    BTU_PER_LB = "Btu/lb"


@dataclass(frozen=True, slots=True)
class ShadowPrice:
    """What one requirement costs, at the rate that holds at the plan, on the pounds it makes.

    `loosening_saves_usd` is the money saved per step of easing, `tightening_costs_usd` that
    lost per step of tightening. They differ at a degenerate optimum; an infinite
    tightening cost means that no plan beyond still makes these pounds.
    """

    requirement: Requirement
    step: Step
    loosening_saves_usd: float
    tightening_costs_usd: float


@dataclass(frozen=True, slots=True)
class MarginalCost:
    """What one product's order and target cost, at the rate that holds at the plan."""

    product_id: str
    next_cwt_usd: float
    """Cost of one more finished hundredweight."""
    leaner_point_usd: float
    """Cost of moving the target, tolerance and all, one lean point up."""
    fatter_point_usd: float
    """Cost of moving the target one lean point down (below zero: money saved)."""


@dataclass(frozen=True, slots=True)
class LotBreakEven:
    """At which price a lot enters or leaves the plan, all else as it is.

    `break_even_usd_per_lb` is the highest delivered price at which the linear program
    still takes some of the lot; infinite when there is no plan without it, None when the
    lot can enter at no price above zero. `next_lb_usd` is the saving from one more pound
    of a lot that is taken whole.
    """

    lot_id: str
    delivered_usd_per_lb: float
    relaxed_lb: float
    """Pounds taken in the linear program, which the price refers to."""
    break_even_usd_per_lb: float | None
    next_lb_usd: float

    @property
    def is_used(self) -> bool:
        return self.relaxed_lb > 0


class Verdict(StrEnum):
    MET = "met"
    WITHIN_ROUNDING = "met within rounding"
    BROKEN = "BROKEN"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Check:
    """One requirement checked on the rounded plan by plain arithmetic."""

    requirement: Requirement
    read: float
    minimum: float | None
    maximum: float | None
    unit: str
    allowance: float
    """How far rounding to whole pounds alone can carry `read`."""
    verdict: Verdict
    note: str = ""
    section: str = ""


@dataclass(frozen=True, slots=True)
class Bound:
    """How close the printed plan is to the cheapest.

    No plan that keeps every limit in full costs less than `bound_usd`.
    """

    objective_usd: float
    """Of the exact plan, before rounding to whole pounds."""
    bound_usd: float
    method: str
    """Where the bound comes from, in a few words."""
    printed_usd: float
    """Recounted total money of the plan as printed, in whole pounds."""
    is_certified: bool = False
    """The bound is certified by an exact dual check; otherwise it is the solver's own."""

    @property
    def gap_usd(self) -> float:
        """Of the printed plan. Below zero where rounding leaves the printed plan short of a limit,
        so that it costs less than any plan that keeps them all."""
        return self.printed_usd - self.bound_usd

    @property
    def gap_share(self) -> float:
        return self.gap_usd / max(1e-9, abs(self.printed_usd))


@dataclass(frozen=True, slots=True)
class PlanCertificate:
    """Every requirement checked, and how far the plan can be from the cheapest."""

    checks: tuple[Check, ...]
    bound: Bound

    @property
    def is_valid(self) -> bool:
        return all(check.verdict is not Verdict.BROKEN for check in self.checks)


@dataclass(frozen=True, slots=True)
class Plan:
    """Today's plan in whole pounds; prices are empty when they were not asked for."""

    takes: tuple[Take, ...]
    runs: tuple[BatchRun, ...]
    shortage_lb: dict[str, float]
    money: Money
    certificate: PlanCertificate
    marginal_costs: tuple[MarginalCost, ...] = ()
    shadow_prices: tuple[ShadowPrice, ...] = ()
    break_evens: tuple[LotBreakEven, ...] = ()
    stopped_early: bool = False
    """Time ran out, or the user stopped the search; the plan is the best so far."""
    pricing_stopped: bool = False
    """The user stopped the pricing: some prices are missing."""

    @property
    def is_short_by_rounding(self) -> bool:
        """Rounding to whole pounds leaves it short of an order or another limit, so that it may
        cost less than any plan that keeps them all in full."""
        return any(check.verdict is Verdict.WITHIN_ROUNDING for check in self.certificate.checks)

    @property
    def rounding_short_lb(self) -> dict[str, float]:
        """By product, pounds that rounding to whole pounds leaves an order short, beyond
        `shortage_lb`, which is planned and priced."""
        return {
            check.requirement.product_id: check.minimum - check.read
            for check in self.certificate.checks
            if check.requirement.constraint_class is ConstraintClass.VOLUME_MIN
            and check.minimum is not None
            and check.read < check.minimum
        }

    @property
    def rounding_over_lb(self) -> dict[str, float]:
        """By product, pounds that rounding to whole pounds makes over the most that is ordered."""
        return {
            check.requirement.product_id: check.read - check.maximum
            for check in self.certificate.checks
            if check.requirement.constraint_class is ConstraintClass.VOLUME_MAX
            and check.maximum is not None
            and check.read > check.maximum
        }

    def short_lb(self, product_id: str) -> float:
        """Pounds short of the order, planned or from rounding."""
        planned_lb = self.shortage_lb.get(product_id, 0.0)
        return planned_lb + self.rounding_short_lb.get(product_id, 0.0)


@dataclass(frozen=True, slots=True)
class Change:
    """The least change of one requirement alone that frees a plan, and the plan's cost then."""

    requirement: Requirement
    was: float
    becomes: float
    unit: str
    """"share", "lb" or "count"; "drop" where the requirement can only be dropped."""
    total_usd: float | None
    """What the plan then costs; None where it was not found in time."""
    is_whole: bool = False
    """Whether such a plan was found in whole containers, counts and batches."""

    @property
    def mislabels(self) -> bool:
        """Whether it lets the lean drop by more than the product's tolerance."""
        is_lean_floor = self.requirement.constraint_class is ConstraintClass.LEAN_MIN
        return is_lean_floor and self.becomes - self.was > self.was + 1e-9


@dataclass(frozen=True, slots=True)
class InfeasibleSubset:
    """Why no plan exists: an irreducible infeasible subset of the requirements."""

    requirements: tuple[Requirement, ...]
    changes: tuple[Change, ...]
    """Each of them alone frees a plan; cheapest first. Empty where none does alone."""
    together: tuple[Change, ...] = ()
    """Changes that free a plan only together, given when no single one does."""
    needs_whole: bool = False
    """True when only whole containers, counts or batches make it infeasible."""
    kept_out: tuple[Requirement, ...] = ()
    """For products in the subset that no usable lot may go into: what keeps all lots out. No change
    is offered for it: claims and bans have no degrees."""
    was_interrupted: bool = False
    """With Ctrl-C: changes may be missing."""
    is_tried: bool = False
    """Every change was planned in whole containers, and its cost is that plan's."""
    changes_failed: int = 0
    """Changes that were dropped: no plan in whole containers was found with them."""
    changes_untried: int = 0
    """Changes that were dropped because time ran out."""
