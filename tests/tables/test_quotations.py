"""Quotations are read as they stand, or refused with every problem at once."""

from __future__ import annotations

from datetime import date

import pytest

from blend.domain.quotations import Quotation
from blend.errors import InputRefused
from blend.tables.quotations import read_quotations

HEADER = "item,species,fresh_or_frozen,lean,price,price_unit,pounds_lb,quoted_on\n"


def test_prices_come_in_usd_per_lb(tmp_path):
    rows = (
        "90s,beef,,0.9,349,usd_per_cwt,,2026-11-25\n"
        "90 CL,beef,frozen,0.9,3.2,usd_per_lb,600,2026-11-25\n"
    )
    (tmp_path / "quotations.csv").write_text(HEADER + rows)
    day = date(2026, 11, 25)
    assert read_quotations(tmp_path).quotations == (
        Quotation("90s", "beef", 0.9, 3.49, day),
        Quotation("90 CL", "beef", 0.9, 3.2, day, "frozen", 600.0),
    )


def test_the_same_item_may_be_quoted_on_many_days(tmp_path):
    rows = "".join(f"90s,beef,,0.9,349,usd_per_cwt,,2026-11-{day}\n" for day in (24, 25, 25))
    (tmp_path / "quotations.csv").write_text(HEADER + rows)
    assert len(read_quotations(tmp_path).quotations) == 3


def test_every_problem_is_listed_at_once(tmp_path):
    rows = "90s,beef,,900,349,usd_per_cwt,,2026-11-25\n,beaf,,0.9,-1,usd,0,25.11\n"
    (tmp_path / "quotations.csv").write_text(HEADER + rows)
    with pytest.raises(InputRefused) as refused:
        read_quotations(tmp_path)
    places = [(problem.row, problem.column) for problem in refused.value.problems]
    assert places == [
        (2, "lean"),
        *((3, column) for column in ("item", "species", "price", "price_unit")),
        *((3, column) for column in ("quoted_on", "pounds_lb")),
    ]


def test_a_price_a_hundredfold_off_and_an_item_quoted_twice_get_a_warning(tmp_path):
    header = "item,species,lean,price,price_unit,quoted_on\n"
    quoted = (("50s", 0.5, 90), ("81s", 0.81, 266), ("90s", 0.9, 349))
    sound = [
        f"{name},beef,{lean},{price},usd_per_cwt,{day}\n"
        for day in ("2026-11-18", "2026-11-25")
        for name, lean, price in quoted
    ]
    file = tmp_path / "quotations.csv"
    file.write_text(header + "".join(sound))
    assert not read_quotations(tmp_path).warnings, "another day is no repetition"
    slips = "85s,beef,0.85,306,usd_per_lb,2026-11-25\n81s,beef,0.81,267,usd_per_cwt,2026-11-25\n"
    file.write_text(header + "".join(sound) + slips)
    read = read_quotations(tmp_path)
    assert len(read.quotations) == 8
    assert [(each.row, each.column) for each in read.warnings] == [(8, "price"), (9, "item")]
    assert "306 usd_per_lb" in read.warnings[0].fact and "row 6" in read.warnings[1].fact


def test_a_missing_table_is_named(tmp_path):
    (tmp_path / "lots.csv").touch()
    with pytest.raises(InputRefused, match=r"quotations\.csv"):
        read_quotations(tmp_path)
