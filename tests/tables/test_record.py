"""A column declared in one place is found in the reader, the starter sheet, the guide, the writer,
the SQL table, the command line and the form."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from sqlalchemy import MetaData, Table, create_engine, insert, select

from blend.cli.records import record_options
from blend.domain import columns as col
from blend.domain.columns import record, table_of
from blend.domain.market import CanvassEntry
from blend.errors import InputRefused
from blend.store.schema import sql_columns
from blend.tables.forms import form_fields
from blend.tables.guide import table_text
from blend.tables.history import record_of_words
from blend.tables.rows import Sheets
from blend.tables.starter import starter_table
from blend.tables.write import records_table, write_csv


@record("docks", "Loading docks, one a row.", key="dock_id")
@dataclass(frozen=True, slots=True)
class Dock:
    dock_id: str = col.identifier("its name", example="D1")
    yield_share: float = col.share("what passes inspection", example="98%")
    drift: float = col.points("how far its scale is off", name="drift_points", example="0.5")
    fee_usd_per_lb: float = col.per_cwt("handling", name="fee_usd_per_cwt", default=0.0)
    side: str = col.choice("north or south", ("north", "south"), default="north", option="where")
    open_on: date | None = col.day("first day", default=None, blank="always open")
    is_cold: bool = col.yes_no("refrigerated", default=True, option="not-cold")


TABLE = table_of(Dock)
DOCK = Dock("D2", 0.985, 0.005, 0.0325, "south", date(2026, 11, 25), False)


def read(folder: Path) -> tuple[Dock, ...]:
    sheets = Sheets(folder, {TABLE.name: TABLE})
    sheets.raise_problems()
    return sheets.records(TABLE.name, Dock)


def test_reader_and_writer(tmp_path: Path):
    write_csv(tmp_path / "docks.csv", *records_table(TABLE, [DOCK]))
    assert read(tmp_path) == (DOCK,)
    (tmp_path / "docks.csv").write_text("dock_id,yield_share,drift_points\nD2,1,2%\n")
    with pytest.raises(InputRefused) as refused:
        read(tmp_path)
    assert [each.column for each in refused.value.problems] == ["yield_share", "drift_points"]


def test_starter_sheet(tmp_path: Path):
    header, rows = starter_table(TABLE)
    assert header == [*TABLE.column_names, "notes"]
    with (tmp_path / "docks.csv").open("w", newline="") as file:
        csv.writer(file).writerows([header, *([*row[:-1], ""] for row in rows)])
    assert read(tmp_path) == (Dock("D1", 0.98, 0.005),)


def test_guide():
    text = table_text(TABLE)
    for column in TABLE.columns:
        assert column.name in text


def test_sql_table():
    engine = create_engine("sqlite://")
    metadata = MetaData()
    docks = Table("docks", metadata, *sql_columns(Dock))
    assert [each.name for each in docks.columns if each.nullable] == ["open_on"]
    metadata.create_all(engine)
    with engine.begin() as connection:
        values = {each.name: getattr(DOCK, each.name) for each in docks.columns}
        connection.execute(insert(docks), values)
        assert Dock(*connection.execute(select(docks)).one()) == DOCK


def test_command_line():
    made: list[Dock] = []

    @click.command()
    @record_options(Dock, skip=("open_on",), own=("dock_id",))
    def add(**words: str) -> None:
        made.append(record_of_words(Dock, "dock", words | {"dock_id": words["dock_id"] or "new"}))

    runner = CliRunner()
    words = ["--yield-share", "98.5", "--drift-points", "0.5", "--where", "south", "--not-cold"]
    assert runner.invoke(add, words, catch_exceptions=False).exit_code == 0
    assert made == [Dock("new", 0.985, 0.005, side="south", is_cold=False)]
    assert runner.invoke(add, ["--drift-points", "1"]).exit_code == 2, "a required one is missing"
    assert "--fee-usd-per-cwt $/CWT" in runner.invoke(add, ["--help"]).output


def test_form_fields():
    fields = {field.name: field for field in form_fields(Dock)}
    assert list(fields) == list(TABLE.column_names)
    assert fields["side"].choices == ("north", "south")
    assert fields["is_cold"].is_check_box and fields["is_cold"].is_checked
    assert fields["fee_usd_per_cwt"].label == "Fee, $/cwt"
    assert [name for name, field in fields.items() if field.is_required] == [
        "dock_id",
        "yield_share",
        "drift_points",
    ]
    assert {field.name for field in form_fields(CanvassEntry)} >= {"usd_per_cwt", "source"}
