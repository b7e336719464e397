"""Built-in constraints: one file each, with the rows of the model and the check of a plan.

`add(model)` adds a constraint's columns and rows. Its checks take the exact pounds of a finished
plan and the tables, and share no code with the rows.
"""

from blend.model.constraints import (
    added,
    analyses,
    batches,
    containers,
    purchases,
    species,
    supply,
    volume,
)

LINEAR = (supply, volume, analyses)
WHOLE = (purchases, containers, batches)
"""These need whole numbers."""
PRODUCT_CHECKS = (
    analyses.check,
    volume.check,
    batches.check,
    species.check,
    batches.check_recipe,
    containers.check_used,
)
LOT_CHECKS = (supply.check, purchases.check, containers.check_taken)

__all__ = ["LINEAR", "LOT_CHECKS", "PRODUCT_CHECKS", "WHOLE", "added"]
