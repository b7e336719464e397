"""The odds that a planned batch tests at or above its lean floor."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING

from blend.check.chance import check_chance_constraints
from blend.domain.case import Case
from blend.domain.plan import BatchRun, Ingredient
from blend.domain.rules import kept_per_lb
from blend.domain.uncertainty import (
    SOLVENT_EXTRACTION_SD_SHARE,
    BatchUncertainty,
    ChanceConstraint,
    LeanUncertainty,
    Sides,
    errors_words,
    shared_by_suppliers,
)

if TYPE_CHECKING:
    from blend.model.solve import LinearPlan

ASSUMED_LOT_ERROR_SHARE = 0.01
"""An assumption for lots without one of their own: one lean point. Cores of cartons strayed by
one to two points and more from the carton (Purchas 2007, Comput. Electron. Agric., read)."""
ASSUMED_BATCH = BatchUncertainty(test_error=SOLVENT_EXTRACTION_SD_SHARE)
ASSUMPTION = "1 lean point per lot (our assumption) and 0.56 point per test (J. AOAC)"
_FLOOR_CONFIDENCE = 0.5


@dataclass(frozen=True, slots=True)
class FloorOdds:
    """One recipe: how often its batches test at or above the lean floor."""

    product_id: str
    run: int
    odds: float
    sd_share: float
    """Of a batch's tested lean."""


@dataclass(frozen=True, slots=True)
class Errors:
    """How far lots and tests may be off: the plant's own figures, assumed where it has none."""

    lots: Mapping[str, LeanUncertainty]
    batches: Mapping[str, BatchUncertainty]
    """By product; `ASSUMED_BATCH` for others."""
    assumed_lots: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What confidences that rest on them assume."""
        return errors_words(self.lots.values())

    def constraint(self, product_id: str, confidence: float) -> ChanceConstraint:
        """The floor of a product held with a confidence."""
        batch = self.batches.get(product_id, ASSUMED_BATCH)
        return ChanceConstraint(product_id, confidence, Sides.BELOW, batch)


def errors_of(
    case: Case,
    known: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint] = (),
) -> Errors:
    """The errors of every lot and product, assumed where neither tests nor tables give one. What
    a supplier's lots share is assumed too, where no estimate says."""
    assumed = tuple(lot.lot_id for lot in case.usable_lots() if lot.lot_id not in known)
    lots = {lot_id: LeanUncertainty(lot_id, ASSUMED_LOT_ERROR_SHARE, 0.0) for lot_id in assumed}
    batches = {each.product_id: each.batch for each in chance_constraints}
    return Errors(shared_by_suppliers(case.lots, {**lots, **known}), batches, assumed)


def floor_odds(case: Case, runs: Iterable[BatchRun], errors: Errors) -> tuple[FloorOdds, ...]:
    """Odds for every recipe of a plan. They assume normal errors."""
    constraints = [errors.constraint(p.product_id, _FLOOR_CONFIDENCE) for p in case.products]
    checks = check_chance_constraints(case, runs, errors.lots, constraints)
    return tuple(
        FloorOdds(each.product_id, each.run, each.confidence, each.sd_share) for each in checks
    )


@dataclass(frozen=True, slots=True)
class ConfidenceCost:
    """What it would cost to hold every lean floor so often, as if combos could be split."""

    confidence: float
    usd: float


_WOULD_HOLD = (0.95, 0.9, 0.85, 0.8, 0.75)


def cost_of_confidence(
    case: Case, errors: Errors, odds: Iterable[FloorOdds]
) -> ConfidenceCost | None:
    """What holding 95% of batches at or above every floor would cost, or the highest of a few
    lower confidences that can be held; None where none of them can.

    Of the LP relaxation: floors are raised by the margin that the blends of `odds` need, then once
    more by what the leaner blends themselves need.
    """
    from blend.model.solve import solve_linear
    from blend.model.solver import Outcome

    cheapest = solve_linear(case)
    if cheapest.outcome is not Outcome.OPTIMAL:
        return None
    sd = _sd_by_product(odds)
    for confidence in _WOULD_HOLD:
        z = NormalDist().inv_cdf(confidence)
        found = solve_linear(_raised(case, sd, z))
        if found.outcome is not Outcome.OPTIMAL:
            continue
        own = _sd_by_product(floor_odds(case, _split_runs(case, found), errors))
        again = solve_linear(_raised(case, {**sd, **own}, z))
        if again.outcome is Outcome.OPTIMAL:
            return ConfidenceCost(confidence, again.objective_usd - cheapest.objective_usd)
    return None


def _sd_by_product(odds: Iterable[FloorOdds]) -> dict[str, float]:
    sd: dict[str, float] = {}
    for each in odds:
        sd[each.product_id] = max(sd.get(each.product_id, 0.0), each.sd_share)
    return sd


def _raised(case: Case, sd: Mapping[str, float], z: float) -> Case:
    """The case with every floor raised by `z` standard deviations of a batch's tested lean."""
    products = tuple(
        replace(
            each, tolerance_below_share=each.tolerance_below_share - z * sd.get(each.product_id, 0)
        )
        for each in case.products
    )
    return replace(case, products=products)


def _split_runs(case: Case, found: LinearPlan) -> list[BatchRun]:
    """One batch of each product of an LP relaxation."""
    runs = []
    for product in case.products:
        used = [(lot, lb) for (lot, name), lb in found.use_lb.items() if name == product.product_id]
        kept = [kept_per_lb(case.lot(lot_id), product, case.losses) for lot_id, _ in used]
        lean_lb = sum(lean * lb for (lean, _), (_, lb) in zip(kept, used, strict=True))
        fat_lb = sum(fat * lb for (_, fat), (_, lb) in zip(kept, used, strict=True))
        if lean_lb + fat_lb < 1:
            continue
        part = min(1.0, product.batch_lb / (lean_lb + fat_lb))
        into = tuple(Ingredient(lot_id, lb * part) for lot_id, lb in used)
        finished_lb = lean_lb + fat_lb
        runs.append(
            BatchRun(product.product_id, 1, into, part * finished_lb, lean_lb / finished_lb)
        )
    return runs


def with_floors(
    case: Case, errors: Errors, chance_constraints: Iterable[ChanceConstraint], confidence: float
) -> tuple[ChanceConstraint, ...]:
    """Every product's floor held with a confidence, next to those asked for already.

    What is asked for more surely stays: a product's own row counts where it asks for more.
    """
    asked = list(chance_constraints)
    for product in case.products:
        own = [each for each in asked if each.product_id == product.product_id]
        floors = [each for each in own if Sides.BELOW in each.each_side]
        if any(1 - each.max_out_of_side_share >= confidence for each in floors):
            continue
        floor = errors.constraint(product.product_id, confidence)
        kept = [each for each in own if each.sides is not Sides.BELOW]
        kept = [_only_above(each) if each.sides is Sides.BOTH else each for each in kept]
        asked = [each for each in asked if each.product_id != product.product_id]
        asked += [floor, *kept]
    return tuple(asked)


def _only_above(both: ChanceConstraint) -> ChanceConstraint:
    """The upper half of a constraint on both sides, held as often as before."""
    return replace(both, sides=Sides.ABOVE, min_confidence=1 - both.max_out_of_side_share)
