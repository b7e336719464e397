"""Five workbooks as plants keep them, all invented: each is read as what it shows, or refused with
the reason. All hold the same four lots, so every one that is read gives the same lots."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from blend.tables.read import read_case
from tests.tables.plain_tables import problems_in

DAY, LAST = date(2026, 11, 25), date(2026, 11, 28)
LOTS = {
    "F50": ("fresh 50s", "beef", 0.505, "fresh", "domestic", "Packer A", 0.945, 20_000.0),
    "F73": ("fresh 73s", "beef", 0.731, "fresh", "domestic", "Packer A", 2.14, 10_000.0),
    "F90": ("fresh 90s", "beef", 0.902, "fresh", "domestic", "Packer B", 3.49, 16_000.0),
    "Z90": ("frozen 90 CL", "beef", 0.9, "frozen", "Uruguay", "Importer E", 3.245, 12_000.0),
}
"""By lot: item, species, lean, form, origin, supplier, $/lb delivered, pounds."""
PRODUCTS = (
    ("product_id", "name", "species", "target_lean", "tolerance_below_points",
     "tolerance_above_points", "min_lb", "max_lb", "batch_lb", "blender_min_lb", "blender_max_lb"),
    ("GB80", "Ground beef 80/20", "beef", 80, 0.5, 1, 8000, 8000, 4000, 2000, 5000),
)  # fmt: skip


def book_of(fill: Callable[[Worksheet], None], path: Path, title: str = "lots") -> Workbook:
    book = Workbook()
    sheet = book.active
    sheet.title = title
    fill(sheet)
    products = book.create_sheet("products")
    for row in PRODUCTS:
        products.append(row)
    settings = book.create_sheet("settings")
    for row in (("setting", "value"), ("plan_on", DAY)):
        settings.append(row)
    book.save(path)
    return book


def read_lots(path: Path) -> dict[str, tuple]:
    return {
        lot.lot_id: (
            lot.item, lot.species, lot.lean, lot.fresh_or_frozen, lot.origin, lot.supplier,
            pytest.approx(lot.delivered_usd_per_lb), lot.quantity_lb,
        )
        for lot in read_case(path).case.lots
    }  # fmt: skip


def facts(path: Path) -> str:
    return "\n".join(map(str, read_case(path).warnings))


# 1. A buyer's offer list: titles above, trade headings, units in headings, subtotals ------------


def offer_list(sheet: Worksheet) -> None:
    sheet.append(["TRIM OFFERS - PLANT ONE"])
    sheet.merge_cells("A1:H1")
    sheet.append(["as of", datetime(2026, 11, 25, 6, 30), None, "buyer: R."])
    sheet.append([])
    sheet.append(["Lot #", "Description", "Species", "% Lean", "Fresh/Frozen", "Country of Origin",
                  "Packer", "Price/cwt", "Lbs", "Expires", "Truck", "Phone"])  # fmt: skip
    for lot_id, (item, *others, usd, pounds) in LOTS.items():
        species, lean, form, origin, supplier = others
        typed = f"${100 * usd:,.2f}", f"{pounds:,.0f}", "11/28/2026", 4, "555-0100"
        lot = lot_id, item, species.upper(), 100 * lean, form.title(), origin, supplier
        sheet.append([*lot, *typed])
        if lot_id == "F73":
            sheet.append(["Subtotal Packer A", *[None] * 7, 30_000])
            sheet.append([])
    sheet.append(["TOTAL", *[None] * 7, 58_000])


def test_an_offer_list_with_titles_and_totals(tmp_path):
    book_of(offer_list, tmp_path / "offers.xlsx")
    assert read_lots(tmp_path / "offers.xlsx") == LOTS
    said = facts(tmp_path / "offers.xlsx")
    for each in ("row 4", "Price/cwt", "Subtotal Packer A", "TOTAL", "truck", "phone"):
        assert each.lower() in said.lower()
    lots = read_case(tmp_path / "offers.xlsx").case.lots
    assert {lot.use_by for lot in lots} == {LAST}


# 2. A cooler sheet: suppliers merged down, percent cells, cents, a hidden row and sheet ---------


def cooler_sheet(sheet: Worksheet) -> None:
    sheet.append(["lot", "item", "species", "lean", "fresh_or_frozen", "origin", "vendor",
                  "asking price", "pounds available"])  # fmt: skip
    for lot_id, (item, species, lean, form, origin, supplier, usd, pounds) in LOTS.items():
        shown = supplier if lot_id != "F73" else None
        sheet.append([lot_id, item, species, lean, form, origin, shown, f"{100 * usd:.1f}¢/lb",
                      f" {pounds:,.0f} lb "])  # fmt: skip
        sheet.cell(sheet.max_row, 4).number_format = "0.0%"
    sheet.merge_cells("G2:G3")
    sheet.row_dimensions[5].hidden = True


def test_a_cooler_sheet_with_merged_suppliers_and_hidden_rows(tmp_path):
    path = tmp_path / "cooler.xlsx"
    book = book_of(cooler_sheet, path)
    book["products"].sheet_state = "hidden"
    book.save(path)
    assert read_lots(path) == LOTS
    said = facts(path)
    for each in ("merged cells G2:G3", "1 hidden row", "hidden sheet"):
        assert each in said


# 3. A costing sheet: prices are formulas, saved with their results ------------------------------


def costing_sheet(sheet: Worksheet) -> None:
    sheet.append(["lot_id", "item", "species", "lean", "fresh_or_frozen", "origin", "supplier",
                  "price", "price_unit", "quantity_lb", "margin"])  # fmt: skip
    for lot_id, (item, species, lean, form, origin, supplier, usd, pounds) in LOTS.items():
        sheet.append([lot_id, item, species, lean, form, origin, supplier, round(100 * usd, 2),
                      "usd_per_cwt", pounds, None])  # fmt: skip


def test_formulas_count_by_their_saved_results_and_not_without(tmp_path):
    book_of(costing_sheet, tmp_path / "plain.xlsx")
    path = tmp_path / "costing.xlsx"
    with zipfile.ZipFile(tmp_path / "plain.xlsx") as old, zipfile.ZipFile(path, "w") as new:
        for part in old.namelist():
            text = old.read(part).replace(b"<v>349</v>", b"<f>340+9</f><v>349</v>")
            new.writestr(part, text)
    assert read_lots(path) == LOTS
    book = book_of(costing_sheet, path)
    book["lots"]["H4"] = "=H3+135"
    book["lots"]["H5"] = "#REF!"
    book.save(path)
    first, second = problems_in(path)
    assert (first.row, first.column) == (4, "price")
    assert "formula without a result" in first.value
    assert (second.row, second.column) == (5, "price")


# 4. A sheet that means two things: each is refused, none is guessed -----------------------------


def unclear_sheet(sheet: Worksheet) -> None:
    sheet.append(["lot_id", "item", "species", "lean", "fresh_or_frozen", "origin", "supplier",
                  "price", "price_unit", "quantity_lb", "use_by"])  # fmt: skip
    cells = (
        (0.505, "3.49/lb or 349", 20_000, "11/28"),
        ("9O", 214, "10.000,00", "28.11.2026?"),
        (90.2, "call", "8 combos", LAST),
        ("85/90", 324.5, -12_000, LAST),
    )
    for (lot_id, lot), (lean, price, pounds, use_by) in zip(LOTS.items(), cells, strict=True):
        item, species, _, form, origin, supplier, *_ = lot
        sheet.append([lot_id, item, species, lean, form, origin, supplier, price, "usd_per_cwt",
                      pounds, use_by])  # fmt: skip


def test_what_can_mean_two_things_is_refused_cell_by_cell(tmp_path):
    book_of(unclear_sheet, tmp_path / "unclear.xlsx")
    found = {(each.row, each.column) for each in problems_in(tmp_path / "unclear.xlsx")}
    assert found == {
        (2, "price"), (2, "use_by"),
        (3, "lean"), (3, "quantity_lb"), (3, "use_by"),
        (4, "price"), (4, "quantity_lb"),
        (5, "lean"), (5, "quantity_lb"),
    }  # fmt: skip


# 5. A printed report: the header again on its second page, cells merged across ------------------


def printed_report(sheet: Worksheet) -> None:
    header = ["Lot No", "Description", "Species", "% Lean", "Fresh/Frozen", "Origin", "Seller",
              "Ask $/lb", "Qty"]  # fmt: skip
    sheet.append(["Page 1"])
    sheet.append(header)
    for lot_id, (item, species, lean, form, origin, supplier, usd, pounds) in LOTS.items():
        if lot_id == "F90":
            sheet.append(["Page 2"])
            sheet.append(header)
        sheet.append([lot_id, item, species, lean, form, origin, supplier, usd, pounds])
        sheet.cell(sheet.max_row, 4).number_format = "0%"


def test_a_report_with_a_header_on_every_page(tmp_path):
    path = tmp_path / "report.xlsx"
    book = book_of(printed_report, path)
    assert read_lots(path) == LOTS
    said = facts(path)
    assert "rows 5 and 6 repeat the header" in said
    book["lots"].merge_cells("F7:G7")
    book.save(path)
    (problem,) = problems_in(path)
    assert (problem.row, "merged cells F7:G7" in problem.value) == (7, True)
