"""Small cases with a log of lean tests."""

from __future__ import annotations

from datetime import date, timedelta

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from tests.published.cases import DAY, make_case, make_lot, make_product

METHODS = {
    "exact": LeanMethod(
        "exact", "nearly exact", 0.0005, 0, 1, "own", "invented", "own", "invented"
    ),
    "rough": LeanMethod("rough", "rough", 0.008, 0.035, 0.5, "own", "invented", "own", "invented"),
}


def sheet(*lots: tuple[str, str, float]) -> Case:
    """Lots as (id, supplier, stated lean)."""
    return make_case(
        [make_lot(name, lean, 1 + 3 * lean, supplier=supplier) for name, supplier, lean in lots],
        [make_product(0.80, 1000)],
    )


def history(supplier: str, overstated: list[float], method: str = "rough") -> list[LeanTest]:
    """Past lots stated at 90%, one test each."""
    return [
        lean_test(f"{supplier}-{number}", supplier, 0.90, 0.90 - over, method)
        for number, over in enumerate(overstated)
    ]


def lean_test(
    lot_id: str,
    supplier: str,
    stated: float,
    tested: float,
    method: str = "rough",
    samples: int = 12,
    on: date = DAY - timedelta(days=3),
    taken_lb: float | None = 1000.0,
) -> LeanTest:
    return LeanTest(
        f"test of {lot_id} {tested}",
        lot_id,
        supplier,
        on,
        method,
        samples,
        tested,
        stated,
        taken_lb=taken_lb,
    )
