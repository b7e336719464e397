"""Merged cells of a workbook: filled down one column, else refused; never read as blank."""

from __future__ import annotations

import zipfile
from datetime import date
from pathlib import Path

import pytest
from openpyxl import Workbook, load_workbook

from blend.desk.pages import Upload
from blend.desk.tables import uploaded_table
from blend.errors import FileTrouble
from blend.tables import workbooks
from blend.tables.columns import TABLES
from blend.tables.read import read_case
from tests.tables.plain_tables import (
    add_sheet,
    other_warnings,
    problems_in,
    sound,
    write_folder,
)


def workbook_with(path: Path, *ranges: str, sheet: str = "lots") -> Path:
    """The sound case as one workbook, with some cells of a sheet merged."""
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in sound().items():
        add_sheet(workbook, name, rows)
    for each in ranges:
        workbook[sheet].merge_cells(each)
    workbook.save(path)
    return path


@pytest.mark.parametrize("name", ["O2:O3", "$O$2:$O$3"])
def test_a_cell_merged_down_one_column_counts_for_each_row(tmp_path: Path, name: str):
    path = workbook_with(tmp_path / "plain.xlsx", "O2:O3")
    changed = tmp_path / "monday.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(changed, "w") as new:
        for part in old.namelist():
            new.writestr(part, old.read(part).replace(b'ref="O2:O3"', f'ref="{name}"'.encode()))
    read = read_case(changed)
    assert {lot.use_by for lot in read.case.lots} == {date(2026, 3, 9)}
    (caution,) = other_warnings(read)
    assert caution.row == 2 and name in caution.fact and "use_by" in caution.fact


def test_every_merged_range_is_refused_next_to_the_other_problems(tmp_path: Path):
    path = workbook_with(tmp_path / "monday.xlsx", "D2:E3", "F3:G3")
    workbook = load_workbook(path)
    workbook["products"]["D2"] = 800
    workbook.save(path)
    problems = problems_in(path)
    for name in ("D2:E3", "F3:G3"):
        assert sum(name in problem.value for problem in problems) == 1
    assert any(problem.column == "target_lean" for problem in problems)


@pytest.mark.parametrize("name", ["C1:D1", "A1:A3", "P3:R3", "C2:D3"])
def test_a_range_that_covers_part_of_the_table_is_refused(tmp_path: Path, name: str):
    problems = problems_in(workbook_with(tmp_path / "monday.xlsx", name))
    assert any(f"merged cells {name}" in problem.value for problem in problems)


@pytest.mark.parametrize("name", ["U2:V3", "A5:C6", "A4:R4", "B2:B2"])
def test_a_range_that_hides_no_cell_of_the_table_does_no_harm(tmp_path: Path, name: str):
    plain = read_case(workbook_with(tmp_path / "plain.xlsx")).case
    assert read_case(workbook_with(tmp_path / "monday.xlsx", name)).case == plain


def test_a_workbook_of_one_table_and_an_upload_are_refused_too(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.csv").unlink()
    path = workbook_with(folder / "lots.xlsx", "N2:O3")
    (problem,) = problems_in(folder)
    assert problem.file == "lots.xlsx" and "N2:O3" in problem.value
    with pytest.raises(Exception, match="N2:O3"):
        uploaded_table(Upload("lots.xlsx", path.read_bytes()), TABLES["lots"])


def test_merged_ranges_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(workbooks, "MAX_MERGED", 2)
    path = workbook_with(tmp_path / "monday.xlsx", "A20:B20", "A22:B22", "A24:B24")
    with pytest.raises(FileTrouble, match="more than 2 merged ranges"):
        read_case(path)
