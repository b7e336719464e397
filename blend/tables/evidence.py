"""Read what was measured: lean tests and their methods, batch tests, temperatures of lots.

As with a case, all problems are told at once. The tables lie where the case does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from blend.domain.case import Case
from blend.domain.evidence import BatchTest, LeanMethod, LeanTest
from blend.domain.heat import celsius
from blend.errors import Caution, InputRefused, did_you_mean
from blend.tables.columns import EVIDENCE_TABLES, LEAN_TEST_METHODS
from blend.tables.rows import Row, Sheet, read_sheet
from blend.tables.standards import packaged_path
from blend.tables.tables import READABLE, Source, read_csv_table, read_tables


@dataclass(frozen=True, slots=True)
class TestsRead:
    """The tests as read, every method there is by its id, and what to look at twice.

    `tests` is empty where there is no table of tests.
    """

    tests: tuple[LeanTest, ...]
    methods: Mapping[str, LeanMethod]
    warnings: tuple[Caution, ...]


def read_tests(source: Source, case: Case) -> TestsRead:
    """Read the lean tests that lie with a case, and the methods they name.

    What a test of a lot on the sheet leaves blank is taken from the lot. Raise InputRefused
    with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets, warnings = _read(source, "lean_test_methods", "tests")
    methods = packaged_methods() | _own_methods(sheets.get("lean_test_methods"))
    tests: tuple[LeanTest, ...] = ()
    if "tests" in sheets:
        sheet = sheets["tests"]
        knows_every_method = not _is_faulty(sheets.get("lean_test_methods"))
        tests = _tests_of(sheet, case, methods if knows_every_method else None)
    _refuse(sheets)
    used = {test.method for test in tests}
    recalled = [
        Caution(
            "tests.csv",
            None,
            "method",
            f"the errors of {name} are partly from memory or worked from a simulation",
            "Put figures from the plant's own duplicate tests into lean_test_methods.csv.",
        )
        for name in sorted(used)
        if "memory" in (methods[name].verified, methods[name].sampling_verified)
    ]
    return TestsRead(tests, methods, (*warnings, *recalled))


def read_batch_tests(source: Source, case: Case) -> tuple[BatchTest, ...]:
    """Read the tests of batches made, in the order made; empty where there is no such table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets, _ = _read(source, "batch_tests")
    if "batch_tests" not in sheets:
        return ()
    sheet = sheets["batch_tests"]
    products = {product.product_id: product for product in case.products}
    for row in sheet.rows:
        if not {"product_id", "target_lean"} <= row.values.keys():
            continue
        name = row["product_id"]
        if row["target_lean"] is None and name not in products:
            hint = did_you_mean(name, sorted(products))
            allowed = "an id of products, or a row with its target_lean"
            sheet.refuse(row.number, "product_id", name, allowed, hint)
    _refuse(sheets)

    def build(row: Row) -> BatchTest:
        values = dict(row.values)
        target = values.pop("target_lean")
        if target is None:
            target = products[values["product_id"]].target_lean
        readings = values.pop("tested_lean")
        return BatchTest(target_lean=target, readings=readings, **values)

    return tuple(sorted(map(build, sheet.rows), key=lambda batch: batch.made_on))


def read_temperatures(source: Source, case: Case) -> dict[str, float]:
    """Read how warm lots are, °C by lot_id; empty where there is no such table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets, _ = _read(source, "temperatures")
    if "temperatures" not in sheets:
        return {}
    sheet = sheets["temperatures"]
    lots = [lot.lot_id for lot in case.lots]
    for row in sheet.rows:
        if "lot_id" in row and row["lot_id"] not in lots:
            hint = did_you_mean(row["lot_id"], lots)
            sheet.refuse(row.number, "lot_id", row["lot_id"], "an id of lots", hint)
    _refuse(sheets)
    return {row["lot_id"]: celsius(row["temperature_f"]) for row in sheet.rows}


def holds_tests(path: str | Path) -> bool:
    """Whether a table of lean tests lies with the case."""
    path = Path(path)
    if path.is_dir():
        names = (each for each in path.iterdir() if each.suffix.lower() in READABLE)
        return any(each.stem.casefold() == "tests" for each in names)
    return path.is_file() and "tests" in _raw(path, "tests").tables


def packaged_methods() -> dict[str, LeanMethod]:
    """The methods that come with `blend`, by id; raise InputRefused or FileTrouble."""
    name = "lean_test_methods.csv"
    sheet = read_sheet(read_csv_table(packaged_path(name), f"specs/{name}"), LEAN_TEST_METHODS)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return _own_methods(sheet)


# Reading -------------------------------------------------------------------------------------


def _raw(source: Source, *names: str) -> Any:
    return read_tables(source, {name: EVIDENCE_TABLES[name] for name in names})


def _read(source: Source, *names: str) -> tuple[dict[str, Sheet], tuple[Caution, ...]]:
    """The sheets that there are, in the order of `names`; a misnamed one is refused."""
    raw = _raw(source, *names)
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheets = {
        name: read_sheet(raw.tables[name], EVIDENCE_TABLES[name])
        for name in names
        if name in raw.tables
    }
    return sheets, tuple(raw.warnings)


def _refuse(sheets: dict[str, Sheet]) -> None:
    problems = [each for sheet in sheets.values() for each in sheet.sorted_problems()]
    if problems:
        raise InputRefused(problems)


def _is_faulty(sheet: Sheet | None) -> bool:
    return sheet is not None and bool(sheet.problems)


def _own_methods(sheet: Sheet | None) -> dict[str, LeanMethod]:
    rows = () if sheet is None else filter(sheet.is_whole, sheet.rows)
    return {row["method_id"]: LeanMethod(**row.values) for row in rows}


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
            allowed = "a method_id of lean_test_methods"
            hint = did_you_mean(row["method"], sorted(methods)) or f"Known: {', '.join(methods)}."
            sheet.refuse(row.number, "method", row["method"], allowed, hint)
        tested_on = row.values.get("tested_on")
        if tested_on is not None and tested_on > case.settings.plan_on:
            allowed = f"a day up to that of the plan, {case.settings.plan_on}"
            sheet.refuse(row.number, "tested_on", str(tested_on), allowed)
        if not sheet.is_whole(row):
            continue
        test = LeanTest(**row.values)
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
                allowed = f"a value, as lots.csv has no {name} for the lot"
                sheet.refuse(row.number, name, "nothing", allowed)
            continue
        if written is not None and not _is_same(written, stated):
            allowed = f"{stated}, as lots.csv says, or nothing"
            sheet.refuse(row.number, name, str(written), allowed)
        # Even where refused, so that a fault of one row is not told of the others as well.
        filled[name] = stated
    return replace(test, **filled)


_OF_THE_LOT: tuple[str, ...] = ("supplier", "stated_lean", "taken_lb")


def _refuse_unlike(sheet: Sheet, row: Row, test: LeanTest, number: int, first: LeanTest) -> None:
    """What is said of one lot in several rows must agree."""
    for name in _OF_THE_LOT:
        one, other = getattr(first, name), getattr(test, name)
        if one is not None and other is not None and not _is_same(one, other):
            sheet.refuse(row.number, name, str(other), f"{one}, as row {number} says of the lot")


def _is_same(one: str | float, other: str | float) -> bool:
    if isinstance(one, str):
        return one.casefold() == str(other).casefold()
    return abs(one - float(other)) < 1e-9
