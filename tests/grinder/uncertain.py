"""A small day with lots that are not quite as lean as stated, for tests."""

from __future__ import annotations

from datetime import date

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, WholeContainers
from blend.domain.selectors import parse_selector
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty, Sides

BATCH = BatchUncertainty(mixing_sd_share=0.001, test_error=0.002)
THAW = Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.03)


def lot(lot_id: str, lean: float, usd: float, container: str, container_lb: float) -> Lot:
    return Lot(
        lot_id=lot_id,
        item=lot_id,
        species="beef",
        lean=lean,
        price_usd_per_lb=usd,
        quantity_lb=12_000.0,
        fresh_or_frozen="frozen" if container == "box" else "fresh",
        container=container,
        container_lb=container_lb,
        salvage_value_usd_per_lb=usd * 0.8,
    )


def product(product_id: str, target: float, order_lb: float) -> Product:
    return Product(
        product_id=product_id,
        name=product_id,
        species=frozenset(("beef",)),
        target_lean=target,
        tolerance_below_share=0.01,
        tolerance_above_share=0.02,
        min_lb=order_lb,
        max_lb=order_lb,
        batch_lb=4_000.0,
        blender_min_lb=2_000.0,
        blender_max_lb=5_000.0,
    )


def day(whole: WholeContainers = WholeContainers.NO) -> Case:
    return Case(
        Settings(date(2026, 3, 2), whole_containers=whole, gap_share=0.001, time_limit_s=20.0),
        (
            lot("fresh 50s", 0.50, 0.95, "combo", 1000.0),
            lot("fresh 73s", 0.73, 2.10, "combo", 1000.0),
            lot("fresh 81s", 0.81, 2.68, "combo", 1000.0),
            lot("fresh 90s", 0.90, 3.42, "combo", 1000.0),
            lot("frozen 90s", 0.90, 3.18, "box", 60.0),
            lot("frozen 95s", 0.95, 3.55, "box", 60.0),
        ),
        (product("eighty", 0.80, 12_000.0), product("ninety", 0.88, 8_000.0)),
        losses=(THAW,),
    )


def spread(error: float = 0.006, container_sd: float = 0.012) -> dict[str, LeanUncertainty]:
    return {each.lot_id: LeanUncertainty(each.lot_id, error, container_sd) for each in day().lots}


def chance_constraints(
    confidence: float = 0.95, sides: Sides = Sides.BELOW
) -> tuple[ChanceConstraint, ...]:
    return tuple(
        ChanceConstraint(product_id, confidence, sides, BATCH)
        for product_id in ("eighty", "ninety")
    )
