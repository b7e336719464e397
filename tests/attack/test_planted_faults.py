"""Plant faults in any table of any reader: each is reported once, in place, and nothing else."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.errors import InputRefused
from blend.tables.columns import METHOD_COLUMNS, SETTING_COLUMNS, Column, Kind
from tests.attack.mutations import write_csvs
from tests.attack.targets import EVERY_TABLE, Grid, Target, targets

OF_SETTINGS = {"settings": SETTING_COLUMNS, "quotation_method": METHOD_COLUMNS}
"""By table whose rows are settings, what each of them asks for."""
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
    Kind.SHARES: ("0.9||0.8", "0.9|lean", "0,9", "0.9|-1", "0.9;0.8"),
    Kind.TIME: ("2026-02-30 10:00", "noon", "2026-11-25", "25.11.2026 10:00", "2026-11-25 24:30"),
}

Cell = tuple[str, int, int]
"""Table, row of its grid, place in the row."""


def bad_cells(column: Column) -> tuple[str, ...]:
    """Texts that the column cannot hold, whatever stands in the rest of its row."""
    bad = BAD_CELLS[column.kind]
    allowed = {"": not column.required, "0": column.minimum <= 0}
    allowed |= dict.fromkeys(("1e99",), column.maximum > 1e99)
    return tuple(each for each in bad if not allowed.get(each)) + (
        ("",) if column.required and "" not in bad else ()
    )


def column_of(table: str, grid: Grid, row: int, place: int) -> Column:
    """The column that judges the cell, which for the value of a setting is the setting."""
    name = grid[0][place]
    if table in OF_SETTINGS and name == "value":
        return OF_SETTINGS[table][grid[row][grid[0].index("setting")]]
    return EVERY_TABLE[table].column(name)


def cells_of(target: Target) -> Iterator[Cell]:
    for table in target.attacked:
        grid = target.tables[table]
        for row in range(1, len(grid)):
            for place in range(len(grid[0])):
                yield table, row, place


def row_of_settings(cell: Cell) -> object:
    """What may hold one fault only: a bad name does not say what setting was meant."""
    table, row, _ = cell
    return (table, row) if table in OF_SETTINGS else cell


def places_of_problems(target: Target, grids: Mapping[str, Grid]) -> list[tuple[str, int, str]]:
    """Where the problems reported are; the problems themselves are printed."""
    with tempfile.TemporaryDirectory() as name:
        write_csvs(grids, Path(name) / "folder")
        with pytest.raises(InputRefused) as refused:
            target.read(Path(name) / "folder")
    problems = refused.value.problems
    print(*problems, sep="\n")
    return [(each.file, each.row or 0, each.column or "") for each in problems]


@pytest.mark.slow
@pytest.mark.parametrize("target", targets(), ids=lambda target: target.name)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_n_faults_give_n_messages(target: Target, data: st.DataObject):
    cells = st.lists(
        st.sampled_from(list(cells_of(target))), unique_by=row_of_settings, min_size=1, max_size=12
    )
    grids = {name: [list(row) for row in grid] for name, grid in target.tables.items()}
    expected = []
    for table, row, place in data.draw(cells):
        column = column_of(table, target.tables[table], row, place)
        grids[table][row][place] = data.draw(st.sampled_from(bad_cells(column)))
        expected.append((f"{table}.csv", row + 1, column.name))
    # A row of blanks is no row at all, and nothing is wrong with it.
    assume(all(any(row) for grid in grids.values() for row in grid))
    assert sorted(places_of_problems(target, grids)) == sorted(expected)


# Unknown names ---------------------------------------------------------------------------------

REFERENCES = {
    *(("rules", "products"), ("losses", "products"), ("products", "standards")),
    *(("tests", "method"), ("temperatures", "lot_id"), ("orders", "product_id")),
    *(("confidence", "product_id"), ("lean_spread", "lot_id"), ("forward_offers", "lot_id")),
    *(("scenarios", "products"), ("scenarios", "currency"), ("scenarios", "correlated_with")),
    *(("product_demand", "product_id"), ("market_moves", "products"), ("market_moves", "rule_id")),
}
"""Columns that name a row of another table, or another row."""


def references_of(target: Target) -> list[Cell]:
    """Those filled in: where nothing is named, a name would be another fault."""
    return [
        (table, row, place)
        for table, row, place in cells_of(target)
        if (table, target.tables[table][0][place]) in REFERENCES
        and target.tables[table][row][place]
    ]


@pytest.mark.slow
@pytest.mark.parametrize(
    "target", list(filter(references_of, targets())), ids=lambda target: target.name
)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_n_unknown_names_give_n_messages(target: Target, data: st.DataObject):
    cells = st.lists(st.sampled_from(references_of(target)), unique=True, min_size=1, max_size=6)
    grids = {name: [list(row) for row in grid] for name, grid in target.tables.items()}
    expected = []
    for table, row, place in data.draw(cells):
        grids[table][row][place] = f"nowhere {row}"
        expected.append((f"{table}.csv", row + 1, grids[table][0][place]))
    assert sorted(places_of_problems(target, grids)) == sorted(expected)
