"""XLSX in, by table or whole: the same tables give the same case as CSV does."""

from __future__ import annotations

import tempfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from openpyxl import Workbook

from blend.domain.case import Case
from blend.tables.read import read_case
from blend.tables.write import write_case
from tests.strategies import cases
from tests.tables.plain_tables import (
    Tables,
    add_sheet,
    other_warnings,
    places,
    problems_in,
    read_folder,
    sound,
    write_folder,
)


def write_workbook(path: Path, tables: Tables) -> Path:
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in tables.items():
        add_sheet(workbook, name, rows)
    workbook.save(path)
    return path


@pytest.mark.slow
@settings(max_examples=20, deadline=None)
@given(case=cases())
def test_csv_and_xlsx_of_the_same_tables_give_the_same_case(case: Case):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_case(case, folder)
        read = read_case(folder).case
        tables = {name: rows for name, rows in read_folder(folder).items() if rows}
        assert read_case(write_workbook(folder / "whole.xlsx", tables)).case == read
        for table, rows in tables.items():
            (folder / f"{table}.csv").unlink()
            write_workbook(folder / f"{table}.xlsx", {table: rows})
        (folder / "whole.xlsx").unlink()
        assert read_case(folder).case == read


def test_messages_name_workbook_and_sheet(tmp_path: Path):
    tables = sound()
    del tables["products"]
    tables["lots"][1]["lean"] = "500"
    path = write_workbook(tmp_path / "monday.xlsx", tables)
    assert places(problems_in(path)) == [
        ("monday.xlsx sheet lots", 3, "lean"),
        ("monday.xlsx sheet products", None, None),
    ]


def test_sheets_of_other_names_are_left_alone_unless_they_are_nearly_tables(tmp_path: Path):
    tables = sound()
    path = tmp_path / "monday.xlsx"
    workbook = Workbook()
    for name, rows in tables.items():
        add_sheet(workbook, name, rows)
    workbook.create_sheet("Lots2")
    workbook.save(path)
    (warning,) = other_warnings(read_case(path))
    assert warning.file == "monday.xlsx sheet Lots2"


def test_the_sheet_of_a_table_is_found_by_its_name(tmp_path: Path):
    tables = sound()
    folder = write_folder(tmp_path / "case", tables)
    (folder / "lots.csv").unlink()
    workbook = Workbook()
    workbook.save(folder / "lots.xlsx")
    assert "header row" in problems_in(folder)[0].hint
    workbook.create_sheet("More")
    workbook.save(folder / "lots.xlsx")
    assert problems_in(folder)[0].value == "sheets Sheet, More"
    add_sheet(workbook, "lots", tables["lots"])
    workbook["lots"].title = "other"
    workbook["other"].title = "LOTS"
    workbook.save(folder / "lots.xlsx")
    assert len(read_case(folder).case.lots) == 2


@pytest.mark.parametrize("value", ["=1+1", "=NOW()"])
def test_a_formula_without_its_result_is_refused(tmp_path: Path, value: str):
    workbook = Workbook()
    for name, rows in sound().items():
        add_sheet(workbook, name, rows)
    workbook["lots"]["G3"] = value
    workbook.save(tmp_path / "case.xlsx")
    (problem,) = problems_in(tmp_path / "case.xlsx")
    assert (problem.row, problem.column) == (3, "price")
    assert problem.value == f"a formula without a result, {value}"


def test_a_formula_is_read_by_its_saved_result(tmp_path: Path):
    """As a spreadsheet saves it: the formula, and the result next to it."""
    tables = sound()
    path = write_workbook(tmp_path / "case.xlsx", tables)
    plain = read_case(path).case
    saved = tmp_path / "saved.xlsx"
    formulas = 0
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(saved, "w") as new:
        for part in old.namelist():
            text = old.read(part).replace(b"<v>2.61</v>", b"<f>2.6+0.01</f><v>2.61</v>")
            formulas += text.count(b"<f>")
            new.writestr(part, text)
    assert formulas == 1
    assert read_case(saved).case == plain
