"""Plant faults in a sound case: each is listed once, in its place, and nothing else."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.domain.columns import Column, Kind
from blend.tables.columns import SETTING_COLUMNS, TABLES
from blend.tables.write import write_case
from tests.strategies import cases
from tests.tables.plain_tables import places, problems_in, read_folder, write_folder

BAD_CELLS = {
    Kind.TEXT: ("a\u200bb", "#REF!"),
    Kind.ID: ("a|b", "a,b", ""),
    Kind.WORD: ("a|b", "a;b"),
    Kind.CHOICE: ("zzz", "#N/A"),
    Kind.SHARE: ("905", "200%", "0,9", "lean", "nan", "-0.1", "1e999"),
    Kind.POINTS: ("2%", "half", "-1", "1000"),
    Kind.NUMBER: ("2,00", "inf", "$5", "1e99", "#DIV/0!", "-1e99"),
    Kind.MONEY: ("2,00", "inf", "5 lb", "1e99", "#DIV/0!", "-1e99"),
    Kind.PRICE: ("2,00", "inf", "5 lb", "1e99", "#DIV/0!", "-1e99"),
    Kind.COUNT: ("2.5", "0", "two"),
    Kind.DATE: ("2026-02-30", "31.12.2026", "soon"),
    Kind.YES_NO: ("maybe", "2"),
    Kind.WORDS: ("a||b", "a, b", "a|a"),
    Kind.SELECTOR: ("frm=frozen", "frozen", "lean>=905"),
}


def bad_cells(column: Column) -> tuple[str, ...]:
    return BAD_CELLS[column.kind] + (("",) if column.required else ())


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(case=cases(), data=st.data())
def test_each_planted_fault_is_listed_once_and_in_its_place(case: Case, data: st.DataObject):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_case(case, folder)
        tables = {name: rows for name, rows in read_folder(folder).items() if rows}
        cells = [
            (table, place, column)
            for table in TABLES
            for place, row in enumerate(tables.get(table, ()))
            for column in row
            # A misspelled setting does not show which one was meant, see below.
            if column != "setting"
        ]
        chosen = data.draw(st.lists(st.sampled_from(cells), unique=True, min_size=1, max_size=8))
        expected = []
        for table, place, name in sorted(chosen, key=cells.index):
            row = tables[table][place]
            column = TABLES[table].column(name)
            if name == "value":
                column = SETTING_COLUMNS[row["setting"]]
            row[name] = data.draw(st.sampled_from(bad_cells(column)))
            expected.append((f"{table}.csv", place + 2, column.name))
        write_folder(folder, tables)
        assert places(problems_in(folder)) == expected
