"""One module for each family of requirements, named after the trade's word for it.

Every module has `add(layout, columns, rows)`: it appends the columns it needs and the rows
that state the requirement. `LINEAR` families make the linear program; `WHOLE` families
need whole numbers and join them when containers, counts or batches must be whole.
"""

from blend.model.constraint_classes import (
    batches,
    containers,
    counts,
    lean,
    must_use,
    purchases,
    recipes,
    shares,
    supply,
    temperature,
    volume,
)

LINEAR = (supply, volume, lean, shares, must_use, temperature)
WHOLE = (purchases, containers, batches, recipes, counts)
