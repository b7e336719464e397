"""DataFrames are read as files are: the same case, the same problems in the same places."""

from __future__ import annotations

import warnings
from pathlib import Path

import pandas
import pytest

from blend.domain.case import Case
from blend.errors import InputRefused
from blend.tables.frames import frames_in_hand
from blend.tables.read import read_case
from tests.tables.plain_tables import problems_in, sound, write_folder
from tests.tables.test_workbooks import write_workbook


def case_of(frames: dict[str, pandas.DataFrame]) -> Case:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Case.from_frames(**frames)


def test_a_folder_and_a_workbook_read_by_pandas_give_the_same_case(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    case = read_case(folder).case
    csvs = {path.stem: pandas.read_csv(path) for path in folder.glob("*.csv")}
    assert case_of(csvs) == case
    book = write_workbook(tmp_path / "case.xlsx", sound())
    assert case_of(pandas.read_excel(book, sheet_name=None)) == case


def test_settings_may_be_a_mapping_and_cautions_are_warnings(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    frames = {path.stem: pandas.read_csv(path) for path in folder.glob("*.csv")}
    frames["settings"] = {"plan_on": pandas.Timestamp("2026-03-02"), "gap_share": "0.2%"}
    with pytest.warns(UserWarning, match="whole_containers"):
        assert Case.from_frames(**frames) == read_case(folder).case


def test_problems_have_the_rows_of_the_sheet(tmp_path: Path):
    tables = sound()
    tables["lots"][1]["lean"] = "905"
    tables["products"][0]["tolerance_below_points"] = "2%"
    folder = write_folder(tmp_path / "case", tables)
    frames = {path.stem: pandas.read_csv(path) for path in folder.glob("*.csv")}
    with pytest.raises(InputRefused) as refused:
        Case.from_frames(**frames)
    assert [(f"{each.file}.csv", each.row, each.column) for each in refused.value.problems] == [
        (each.file, each.row, each.column) for each in problems_in(folder)
    ]


def test_a_missing_and_an_unknown_table_are_named():
    lots = pandas.DataFrame(sound()["lots"])
    with pytest.raises(InputRefused, match="products: missing"):
        read_case(frames_in_hand({"lots": lots}))
    with pytest.raises(TypeError, match="lot"):
        frames_in_hand({"lot": lots})
