"""Read what was measured: lean tests and their methods, batch tests, temperatures of lots.

All problems are listed at once. The tables lie in the same folder as the case.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from blend.domain.case import Case
from blend.domain.columns import made
from blend.domain.evidence import BatchTest, LeanMethod, LeanTest
from blend.domain.heat import celsius
from blend.errors import Caution, did_you_mean
from blend.tables.columns import EVIDENCE_TABLES, LEAN_TEST_METHODS
from blend.tables.rows import Row, Sheet, Sheets
from blend.tables.standards import packaged_sheet
from blend.tables.tables import Source, holds_table


@dataclass(frozen=True, slots=True)
class TestsRead:
    """The tests as read (none where there is no table), every method by its id, what to check."""

    __test__ = False  # no test case, whatever a test runner makes of its name

    tests: tuple[LeanTest, ...]
    methods: Mapping[str, LeanMethod]
    warnings: tuple[Caution, ...]


def read_tests(source: Source, case: Case) -> TestsRead:
    """Read the lean tests of a case, and the methods they name.

    What a test of a lot on the sheet leaves blank is taken from the lot. Raise InputRefused
    with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = _sheets(source, "lean_test_methods", "tests")
    own = sheets.get("lean_test_methods")
    methods = packaged_methods() | ({} if own is None else _by_id(own))
    tests: tuple[LeanTest, ...] = ()
    if "tests" in sheets:
        knows_every_method = own is None or not own.problems
        tests = _tests_of(sheets["tests"], case, methods if knows_every_method else None)
    sheets.raise_problems()
    recalled = [
        Caution(
            "tests.csv",
            None,
            "method",
            f"the errors of {name} are partly from memory or from a simulation",
            "Put the plant's own duplicate-test errors into lean_test_methods.csv.",
            "errors of {count} test methods are partly from memory or a simulation. Put the plant's"
            " own duplicate-test errors into lean_test_methods.csv",
        )
        for name in sorted({test.method for test in tests})
        if "memory" in (methods[name].verified, methods[name].sampling_verified)
    ]
    return TestsRead(tests, methods, (*sheets.cautions, *recalled))


def read_batch_tests(source: Source, case: Case) -> tuple[BatchTest, ...]:
    """Read the tests of batches, in the order made; empty where there is no such table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = _sheets(source, "batch_tests")
    products = {product.product_id: product for product in case.products}
    for row in sheets.rows("batch_tests"):
        if row.has("product_id", "target_lean"):
            name = row["product_id"]
            if row["target_lean"] is None and name in products:
                row.values["target_lean"] = products[name].target_lean
            elif row["target_lean"] is None:
                required = "an id of products, or have its target_lean"
                hint = did_you_mean(name, sorted(products))
                sheets["batch_tests"].refuse(row.number, "product_id", name, required, hint)
    sheets.raise_problems()
    tests = sheets.records("batch_tests", BatchTest)
    return tuple(sorted(tests, key=lambda batch: batch.made_on))


def read_temperatures(source: Source, case: Case) -> dict[str, float]:
    """Read how warm lots are, °C by lot_id; empty where there is no such table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = _sheets(source, "temperatures")
    lots = [lot.lot_id for lot in case.lots]
    for row in sheets.rows("temperatures"):
        sheets["temperatures"].refuse_unknown(row, "lot_id", lots, "lots")
    sheets.raise_problems()
    return {row["lot_id"]: celsius(row["temperature_f"]) for row in sheets.rows("temperatures")}


def holds_tests(path: str | Path) -> bool:
    """Whether there is a lean test with the case."""
    return holds_table(path, "tests") and bool(_sheets(path, "tests").rows("tests"))


def packaged_methods() -> dict[str, LeanMethod]:
    """The built-in methods, by id; raise InputRefused or FileTrouble."""
    sheet = packaged_sheet(LEAN_TEST_METHODS)
    sheet.raise_problems()
    return _by_id(sheet)


def _sheets(source: Source, *names: str) -> Sheets:
    return Sheets(source, {name: EVIDENCE_TABLES[name] for name in names})


def _by_id(sheet: Sheet) -> dict[str, LeanMethod]:
    return {row["method_id"]: made(LeanMethod, row.values) for row in sheet.whole_rows()}


# Tests ---------------------------------------------------------------------------------------


def _tests_of(
    sheet: Sheet, case: Case, methods: Mapping[str, LeanMethod] | None
) -> tuple[LeanTest, ...]:
    """The tests; what is wrong across rows and tables goes to the sheet. `methods` None means
    that not all are known."""
    lots = {lot.lot_id: lot for lot in case.lots}
    first_of: dict[str, tuple[int, LeanTest]] = {}
    tests = []
    for row in sheet.rows:
        if methods is not None and "method" in row and row["method"] not in methods:
            hint = did_you_mean(row["method"], sorted(methods)) or f"Known: {', '.join(methods)}."
            required = "a method_id of lean_test_methods"
            sheet.refuse(row.number, "method", row["method"], required, hint)
        tested_on = row.values.get("tested_on")
        if tested_on is not None and tested_on > case.settings.plan_on:
            required = f"{case.settings.plan_on}, the day of the plan, or earlier"
            sheet.refuse(row.number, "tested_on", str(tested_on), required)
        if not sheet.is_whole(row):
            continue
        test = made(LeanTest, row.values)
        lot = lots.get(test.lot_id)
        stated = {
            "supplier": "" if lot is None else lot.supplier,
            "stated_lean": None if lot is None else lot.lean,
        }
        test = _completed(sheet, row, test, stated)
        number, first = first_of.setdefault(test.lot_id, (row.number, test))
        _refuse_unlike(sheet, row, test, number, first)
        if first.taken_lb is None:
            first_of[test.lot_id] = (row.number, test)
        tests.append(test)
    return tuple(tests)


def _completed(sheet: Sheet, row: Row, test: LeanTest, of_lot: dict[str, Any]) -> LeanTest:
    """The test with what its lot states; refuse what neither states, or both differently."""
    filled = {}
    for name, stated in of_lot.items():
        written = getattr(test, name)
        if stated in (None, ""):
            if written is None:
                hint = f"Enter it: lots.csv has no {name} for the lot."
                sheet.refuse(row.number, name, "blank", hint=hint)
            continue
        if written is not None and not _is_same(written, stated):
            required = f"blank, or {sheet.typed(name, stated)} as in lots.csv"
            sheet.refuse(row.number, name, sheet.typed(name, written), required)
        # even where refused, so that a fault of one row is not listed for the others as well
        filled[name] = stated
    return replace(test, **filled)


_OF_THE_LOT: tuple[str, ...] = ("supplier", "stated_lean", "taken_lb")


def _refuse_unlike(sheet: Sheet, row: Row, test: LeanTest, number: int, first: LeanTest) -> None:
    """What several rows say of one lot must agree."""
    for name in _OF_THE_LOT:
        one, other = getattr(first, name), getattr(test, name)
        if one is not None and other is not None and not _is_same(one, other):
            required = f"{sheet.typed(name, one)}, as in row {number} for the same lot"
            sheet.refuse(row.number, name, sheet.typed(name, other), required)


def _is_same(one: str | float, other: str | float) -> bool:
    if isinstance(one, str):
        return one.casefold() == str(other).casefold()
    return abs(one - float(other)) < 1e-9
