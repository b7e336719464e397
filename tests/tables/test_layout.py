"""A plant's own sheet is read as it is: what is guessed or left out is reported."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from openpyxl import Workbook

from blend.cli import main
from blend.errors import FileTrouble
from blend.tables.read import CaseRead, read_case
from tests.tables.plain_tables import other_warnings, places, problems_in, sound, write_folder

HEADER = (
    "Lot #", "Item", "Species", "% Lean", "Fresh/Frozen", "Origin", "Vendor", "Price/cwt",
    "Qty", "Use By", "Dock",
)  # fmt: skip
ROWS = (
    ("B90", "fresh 90s", "beef", 0.902, "fresh", "domestic", "Packer A", 349, "16,000",
     date(2026, 3, 9), 4),
    ("B50", "fresh 50s", "beef", 0.5, "fresh", "domestic", "Packer B", "$92", 20_000,
     "3/9/2026", 5),
)  # fmt: skip


def own_sheet(path: Path, header=HEADER, *, percents: bool = True) -> Workbook:
    """A sheet as a plant might keep it: a title, a date, a blank row, the table, totals."""
    book = Workbook()
    sheet = book.active
    sheet.append(["Trim offers, week 10"])
    sheet.merge_cells("A1:F1")
    sheet.append(["Printed", date(2026, 3, 2)])
    sheet.append([])
    sheet.append(list(header))
    sheet.append(list(ROWS[0]))
    sheet.append([])
    sheet.append(list(ROWS[1]))
    sheet.append(["Total lbs", None, None, None, None, None, None, None, 36_000])
    for row in (5, 7) if percents else ():
        sheet.cell(row, 4).number_format = "0.0%"
    book.save(path)
    return book


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    tables = sound()
    del tables["lots"], tables["rules"], tables["losses"]
    return write_folder(tmp_path / "case", tables)


def facts(read: CaseRead) -> str:
    return "\n".join(map(str, other_warnings(read)))


def test_title_totals_headings_units_and_extra_columns(folder: Path):
    own_sheet(folder / "lots.xlsx")
    read = read_case(folder)
    assert [(lot.lot_id, lot.lean, lot.quantity_lb) for lot in read.case.lots] == [
        ("B50", 0.5, 20_000),
        ("B90", 0.902, 16_000),
    ]
    assert [lot.price_usd_per_lb for lot in read.case.lots] == [0.92, 3.49]
    assert {lot.use_by for lot in read.case.lots} == {date(2026, 3, 9)}
    assert {lot.supplier for lot in read.case.lots} == {"Packer A", "Packer B"}
    for part in ("row 4", '"Lot #" as lot_id', '"Price/cwt" as price', "Total lbs", "dock"):
        assert part in facts(read)


def test_problems_are_in_the_rows_of_the_sheet(folder: Path):
    book = own_sheet(folder / "lots.xlsx")
    book.active["D7"] = 905
    book.active["D7"].number_format = "General"
    book.save(folder / "lots.xlsx")
    assert places(problems_in(folder)) == [("lots.xlsx", 7, "lean")]


def test_a_full_100_percent_is_no_1(folder: Path):
    book = own_sheet(folder / "lots.xlsx")
    book.active["D7"] = 1
    book.save(folder / "lots.xlsx")
    assert read_case(folder).case.lot("B50").lean == 1.0
    book.active["D7"].number_format = "General"
    book.save(folder / "lots.xlsx")
    assert places(problems_in(folder)) == [("lots.xlsx", 7, "lean")]


def test_two_headings_for_one_column_leave_the_exact_one(folder: Path):
    header = tuple("price" if each == "Dock" else each for each in HEADER)
    own_sheet(folder / "lots.xlsx", header)
    problems = problems_in(folder)
    assert ("lots.xlsx", None, "price_unit") in places(problems), "Price/cwt is an extra column"


def test_hidden_rows_and_sheets_are_reported(folder: Path):
    book = own_sheet(folder / "lots.xlsx")
    book.active.row_dimensions[7].hidden = True
    other = book.create_sheet("notes")
    book.active.title = "lots"
    book.active = other
    book["lots"].sheet_state = "hidden"
    book.save(folder / "lots.xlsx")
    read = read_case(folder)
    assert len(read.case.lots) == 2
    assert "hidden row" in facts(read) and "hidden sheet" in facts(read)


def test_a_starter_workbook_in_a_folder_is_read_and_files_go_first(tmp_path: Path):
    from tests.tables.test_workbooks import write_workbook

    folder = tmp_path / "case"
    folder.mkdir()
    write_workbook(folder / "plant.xlsx", sound())
    case = read_case(folder).case
    assert case == read_case(write_folder(tmp_path / "plain", sound())).case
    tables = sound()
    tables["losses"][0]["lean_loss_share"] = "5%"
    write_folder(folder, {"losses": tables["losses"]})
    read = read_case(folder)
    assert read.case.losses[0].lean_loss_share == 0.05
    assert "plant.xlsx sheet losses" in facts(read)


def test_confirmed_headings_are_saved_next_to_the_sheet_and_not_reported_again(folder: Path):
    own_sheet(folder / "lots.xlsx")
    first = read_case(folder)
    answer = CliRunner().invoke(main, ["check", str(folder), "--save-columns"])
    assert answer.exit_code == 0 and "column_map.csv" in answer.output
    again = read_case(folder)
    assert again.case == first.case
    assert "Lot #" in facts(first) and "Lot #" not in facts(again)
    # a heading of the plant's own is confirmed by hand
    path = folder / "column_map.csv"
    path.write_text(path.read_text() + "lots,Spot,available_on,\n")
    header = tuple("Spot" if each == "Dock" else each for each in HEADER)
    book = own_sheet(folder / "lots.xlsx", header)
    book.active["K5"] = book.active["K7"] = date(2026, 3, 1)
    book.save(folder / "lots.xlsx")
    assert {lot.available_on for lot in read_case(folder).case.lots} == {date(2026, 3, 1)}
    path.write_text("table,heading\nlots,Lot #\n")
    with pytest.raises(FileTrouble, match="column_map"):
        read_case(folder)
