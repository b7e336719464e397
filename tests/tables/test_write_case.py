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

from blend.domain.case import Case
from blend.errors import FileTrouble
from blend.tables.columns import SETTING_COLUMNS, TABLES
from blend.tables.read import read_case
from blend.tables.write import write_case, write_csv, write_template
from tests.strategies import cases
from tests.tables.plain_tables import problems_in, read_folder, sound, write_folder


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(case=cases())
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


def test_writing_where_nothing_can_be_written_is_told(tmp_path: Path):
    (tmp_path / "file").touch()
    with pytest.raises(FileTrouble):
        write_csv(tmp_path / "nowhere" / "plan.csv", ["a"], [])
    with pytest.raises(FileTrouble):
        write_template(tmp_path / "file")


def test_a_template_holds_every_column_and_asks_for_what_is_missing(tmp_path: Path):
    folder = tmp_path / "new"
    paths = write_template(folder)
    assert {path.stem for path in paths} == set(TABLES)
    for path in paths:
        assert tuple(read_cells(path)[0]) == TABLES[path.stem].column_names
    assert [row["setting"] for row in read_folder(folder)["settings"]] == list(SETTING_COLUMNS)
    assert [str(problem) for problem in problems_in(folder)] == [
        "lots.csv: read a header and no row; allowed at least one row.",
        "products.csv: read a header and no row; allowed at least one row.",
        "settings.csv row 2, plan_on: read nothing; allowed a date such as 2026-03-31.",
    ]


@pytest.mark.parametrize("name", ["rules.csv", "Rules.xlsx"])
def test_a_template_overwrites_nothing(tmp_path: Path, name: str):
    (tmp_path / name).write_text("mine")
    with pytest.raises(FileTrouble, match=name):
        write_template(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_reading_csv_does_not_wait_for_the_workbook_library():
    code = "import sys, blend.tables.read, blend.tables.write; print('openpyxl' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert answer.stdout.strip() == "False", answer.stderr
