"""Invented cases whose lots have uncertain lean, and a minimum lean to hold with confidence."""

from __future__ import annotations

from random import Random

from blend.domain.case import Case
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty
from tests.bench.instances import make_instance


def uncertain_instance(
    lots: int, products: int, seed: int, confidence: float = 0.975
) -> tuple[Case, dict[str, LeanUncertainty], tuple[ChanceConstraint, ...]]:
    """A case whose lots have errors of 0.2 to 1.2 and containers of 0.5 to 2 lean points."""
    case, random = make_instance(lots, products, seed), Random(f"spread {seed}")
    spread = {
        lot.lot_id: LeanUncertainty(
            lot.lot_id,
            round(random.uniform(0.002, 0.012), 4),
            round(random.uniform(0.005, 0.02), 4),
        )
        for lot in case.lots
    }
    batch = BatchUncertainty(mixing_sd_share=0.001, test_error=0.001)
    chance_constraints = tuple(
        ChanceConstraint(product.product_id, confidence, batch=batch) for product in case.products
    )
    return case, spread, chance_constraints
