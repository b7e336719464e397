"""Plain tables of one small sound case, to be spoilt by tests and written in every form."""

from __future__ import annotations

import csv
from collections.abc import Callable
from copy import deepcopy
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from blend.domain.columns import Column, Kind
from blend.errors import Caution, InputRefused, Problem
from blend.tables.columns import SETTING_COLUMNS, TABLES
from blend.tables.read import CaseRead, read_case

Tables = dict[str, list[dict[str, str]]]


def _rows(columns: dict[str, tuple[str, ...]]) -> list[dict[str, str]]:
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


SOUND: Tables = {
    "lots": _rows(
        {
            "lot_id": ("cow90", "steer50"),
            "item": ("cow 90s", "steer 50s"),
            "species": ("beef", "beef"),
            "lean": ("0.9", "0.5"),
            "fresh_or_frozen": ("fresh", "frozen"),
            "origin": ("domestic", "Australia"),
            "price": ("2.61", "95.5"),
            "price_unit": ("usd_per_lb", "usd_per_cwt"),
            "price_basis": ("delivered", "fob"),
            "freight_usd_per_cwt": ("", "3.25"),
            "quantity_lb": ("40000", "9000"),
            "container": ("combo", "loose"),
            "container_lb": ("2000", ""),
            "available_on": ("2026-03-01", ""),
            "use_by": ("2026-03-09", ""),
            "min_purchase_lb": ("2000", ""),
            "must_take_all": ("no", "yes"),
            "salvage_value_usd_per_lb": ("0.5", ""),
        }
    ),
    "products": [
        {"product_id": "ground80", "name": "Ground 80/20", "species": "beef",
         "target_lean": "0.8", "tolerance_below_points": "1", "tolerance_above_points": "2",
         "min_lb": "10000", "max_lb": "12000", "batch_lb": "2000", "blender_min_lb": "1000",
         "blender_max_lb": "2500", "standards": "", "label_claims": "",
         "shortage_penalty_usd_per_lb": "1.5", "sale_usd_per_lb": ""},
    ],
    "rules": [
        {"rule_id": "frozen", "kind": "share", "products": "ground80",
         "lots": "fresh_or_frozen=frozen", "against": "", "min_share": "", "max_share": "0.3",
         "max_count": "", "min_lb": "", "note": "color"},
    ],
    "losses": [
        {"loss_id": "purge", "step": "thaw", "lots": "fresh_or_frozen=frozen", "products": "",
         "lean_loss_share": "0.02", "fat_loss_share": "", "source": ""},
    ],
    "settings": [
        {"setting": "plan_on", "value": "2026-03-02"},
        {"setting": "gap_share", "value": "0.002"},
    ],
}  # fmt: skip


def sound() -> Tables:
    return deepcopy(SOUND)


def own_standard(**changes: str) -> dict[str, str]:
    """A standards row of the case's own."""
    return {
        "standard_id": "own",
        "row_id": "own_fat",
        "title": "fat at most 30%",
        "section": "section 4",
        "action": "refuse",
        "kind": "fat",
        "lots": "",
        "min_share": "",
        "max_share": "0.3",
        "effective_on": "2020-01-01",
        "read_on": "2026-01-15",
        "verified": "read",
        "source": "invented",
        "note": "",
    } | changes


def write_folder(folder: Path, tables: Tables, delimiter: str = ",") -> Path:
    folder.mkdir(exist_ok=True)
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter)
            writer.writeheader()
            writer.writerows(rows)
    return folder


def read_folder(folder: Path) -> Tables:
    tables = {}
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            tables[path.stem] = list(csv.DictReader(file))
    return tables


def add_sheet(workbook: Any, name: str, rows: list[dict[str, str]]) -> None:
    """A sheet as people fill it: numbers, days and truth values as such, not as texts."""
    sheet = workbook.create_sheet(name)
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append([_typed(_column_of(name, column, row), text) for column, text in row.items()])


def _column_of(table: str, name: str, row: dict[str, str]) -> Column:
    if name == "value":
        return SETTING_COLUMNS[row["setting"]]
    return TABLES[table].column(name)


def _typed(column: Column, text: str) -> Any:
    as_typed: dict[Kind, Callable[[str], Any]] = {
        Kind.SHARE: lambda share: float(Decimal(share.rstrip("%")) / (100 if "%" in share else 1)),
        Kind.NUMBER: float,
        Kind.POINTS: float,
        Kind.MONEY: float,
        Kind.PRICE: float,
        Kind.COUNT: int,
        Kind.DATE: date.fromisoformat,
        Kind.YES_NO: lambda answer: answer == "yes",
    }
    return as_typed.get(column.kind, str)(text) if text else None


def other_warnings(read: CaseRead) -> tuple[Caution, ...]:
    """Warnings that are not about blank cells."""
    return tuple(each for each in read.warnings if each not in read.blanks)


def problems_in(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputRefused) as refused:
        read_case(path)
    return refused.value.problems


def places(problems: tuple[Problem | Caution, ...]) -> list[tuple[str, int | None, str | None]]:
    return [(problem.file, problem.row, problem.column) for problem in problems]
