"""Writing tables: what is written reads back, whole or not at all, and starts no formula."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from openpyxl import load_workbook

from blend.domain.case import Case
from blend.errors import FileTrouble
from blend.tables.columns import EVERY_TABLE, TABLES
from blend.tables.read import read_case
from blend.tables.rows import read_sheet
from blend.tables.starter import BOOKS, starter_table, write_starter
from blend.tables.tables import raw_table
from blend.tables.write import write_case, write_csv
from tests.strategies import as_read, cases
from tests.tables.plain_tables import places, problems_in, sound, write_folder


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(case=cases().map(as_read))
def test_a_written_case_reads_back_as_it_was(case: Case):
    with tempfile.TemporaryDirectory() as folder:
        write_case(case, folder)
        assert read_case(folder).case == case


def test_a_case_under_packaged_standards_reads_back_as_it_was(tmp_path: Path):
    tables = sound()
    tables["products"][0]["standards"] = "ground_beef"
    case = read_case(write_folder(tmp_path / "case", tables)).case
    assert case.standards
    write_case(case, tmp_path / "written")
    assert read_case(tmp_path / "written").case == case


def read_cells(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))


def test_texts_start_no_formula_and_numbers_stay_numbers(tmp_path: Path):
    path = tmp_path / "plan.csv"
    write_csv(path, ["a", "b"], [["=1+1", -2.5], ["@x", -3.0], ["-x", None], ["ok", True]])
    assert read_cells(path) == [
        ["a", "b"],
        ["'=1+1", "-2.5"],
        ["'@x", "-3"],
        ["'-x", ""],
        ["ok", "yes"],
    ]


def test_a_failed_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    path = tmp_path / "plan.csv"
    write_csv(path, ["a"], [[1]])
    before = path.read_bytes()

    def broken_row():
        yield [2]
        raise RuntimeError("stopped half way")

    with pytest.raises(RuntimeError):
        write_csv(path, ["a"], broken_row())

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileTrouble, match=r"plan\.csv: No space left on device"):
        write_csv(path, ["a"], [[2]])
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_written_file_is_as_readable_as_any_other(tmp_path: Path):
    write_csv(tmp_path / "plan.csv", ["a"], [])
    (tmp_path / "other").touch()
    modes = {path.stat().st_mode for path in tmp_path.iterdir()}
    assert len(modes) == 1


def test_writing_where_nothing_can_be_written_is_reported(tmp_path: Path):
    (tmp_path / "file").touch()
    with pytest.raises(FileTrouble):
        write_csv(tmp_path / "nowhere" / "plan.csv", ["a"], [])
    with pytest.raises(FileTrouble):
        write_starter(tmp_path / "file")


@pytest.mark.parametrize("as_csv", [True, False])
def test_a_starter_sheet_has_every_column_and_asks_for_what_is_missing(tmp_path, as_csv: bool):
    folder = tmp_path / "new"
    paths = write_starter(folder, BOOKS, as_csv=as_csv)
    assert len(paths) == (sum(map(len, BOOKS.values())) if as_csv else len(BOOKS))
    sheets = {} if as_csv else {path.stem: load_workbook(path) for path in paths}
    for person, tables in BOOKS.items():
        for name, table in tables.items():
            if as_csv:
                header = read_cells(folder / f"{name}.csv")[0]
            else:
                header = [cell.value for cell in sheets[person][name][1]]
            assert tuple(header) == (*table.column_names, "notes")
    assert places(problems_in(folder if as_csv else folder / "plant.xlsx")) == [
        (label, row, column)
        for label, row, column in (
            (_label(as_csv, "lots"), None, None),
            (_label(as_csv, "products"), None, None),
            (_label(as_csv, "settings"), 2, "plan_on"),
        )
    ]


def _label(as_csv: bool, name: str) -> str:
    return f"{name}.csv" if as_csv else f"plant.xlsx sheet {name}"


def test_fixed_words_have_a_drop_down(tmp_path: Path):
    (path,) = write_starter(tmp_path / "new")
    lists = {
        str(each.sqref).split(":")[0]: each.formula1
        for each in load_workbook(path)["lots"].data_validations.dataValidation
    }
    place = TABLES["lots"].column_names.index("fresh_or_frozen")
    assert lists[f"{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[place]}2"] == '"fresh,frozen"'


def test_every_table_is_in_a_starter_workbook():
    assert {name for book in BOOKS.values() for name in book} == set(EVERY_TABLE)


@pytest.mark.parametrize("table", [t for book in BOOKS.values() for t in book.values()])
def test_every_table_starts_with_a_sound_example_row(table):
    """Without its mark, what the starter shows is read without a problem."""
    header, rows = starter_table(table)
    if table.name == "settings":
        rows[0][1] = "11/25/2026"
    unmarked = [[*row[:-1], ""] for row in rows]
    sheet = read_sheet(raw_table(table.name, [header, *unmarked]), table)
    assert sheet.problems == [] and len(sheet.rows) == len(rows) > 0


@pytest.mark.parametrize("name", ["rules.csv", "Rules.xlsx"])
def test_a_starter_sheet_overwrites_nothing(tmp_path: Path, name: str):
    (tmp_path / name).write_text("mine")
    with pytest.raises(FileTrouble, match=name):
        write_starter(tmp_path, as_csv=True)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_reading_csv_does_not_wait_for_the_workbook_library():
    code = "import sys, blend.tables.read, blend.tables.write; print('openpyxl' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert answer.stdout.strip() == "False", answer.stderr
