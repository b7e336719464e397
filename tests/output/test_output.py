"""The format map, tables for a terminal, and what every answer can do."""

from __future__ import annotations

import json
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import pandas as pd
import pytest

from blend.errors import FileTrouble
from blend.output import screen
from blend.output.answer import Answer
from blend.output.charts import BLUE, chart, save
from blend.output.formats import Format, cents, format_of, money, register


@pytest.mark.parametrize(
    ("column", "value", "title", "text"),
    [
        ("price_usd_per_cwt", 324.5, "Price, $/cwt", "324.50"),
        ("used_lb", 11220.4, "Used, lb", "11,220"),
        ("lean_percent", 72.46, "Lean, %", "72.5"),
        ("cost_usd", -0.2, "Cost, $", "0"),
        ("supplier", "Packer A\n", "Supplier", "Packer A "),
        ("quantity_lb", float("inf"), "Quantity, lb", "no limit"),
        ("quantity_lb", float("nan"), "Quantity, lb", ""),
    ],
)
def test_a_column_is_shown_by_the_unit_in_its_name(column, value, title, text):
    assert (format_of(column).title, format_of(column).text(value)) == (title, text)


def test_a_column_has_one_format_everywhere():
    register({"made_up_for_this_test": Format("Made up")})
    register({"made_up_for_this_test": Format("Made up")})
    with pytest.raises(ValueError, match="made_up_for_this_test"):
        register({"made_up_for_this_test": Format("Other")})


def test_money_is_written_the_american_way():
    assert [money(1429.4), money(-51.2), money(-0.3)] == ["$1,429", "-$51", "$0"]
    assert cents(-2.471) == "-$2.47"


FRAME = pd.DataFrame(
    {
        "lot_id": ["B90-1", "I90-2"],
        "item": ["fresh 90s from a seller with a very long description", "frozen 90 CL"],
        "batches": [5, 4],
        "price_usd_per_cwt": [341.861, float("nan")],
    }
)


@pytest.mark.parametrize("columns", ["60", "80", "200"])
def test_a_table_fits_the_terminal_and_never_cuts_a_number(monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", columns)
    text = screen.table(FRAME, title="Lots")
    assert all(len(line) <= int(columns) for line in text.splitlines())
    assert "341.86" in text and text.splitlines()[-1].split() == ["Total", "9"]


class Lots(Answer):
    @property
    def tables(self):
        return {"lots": FRAME}

    @property
    def figures(self):
        return {"cost_usd": 12.5, "count": 2}

    def screen(self, sections=()):
        return screen.table(FRAME)

    def chart(self):
        return chart(
            "Prices",
            [{"lot": "B90-1", "usd": 341.86}],
            {
                "mark": {"type": "bar", "color": BLUE},
                "encoding": {"x": {"field": "lot"}, "y": {"field": "usd", "type": "quantitative"}},
            },
        )


def test_json_holds_figures_tables_and_units():
    told = json.loads(Lots().to_json())
    assert told["figures"] == {"cost_usd": 12.5, "count": 2}
    assert told["tables"]["lots"]["columns"][3] == {
        "name": "price_usd_per_cwt",
        "heading": "Price",
        "unit": "$/cwt",
    }
    assert told["tables"]["lots"]["rows"][1]["price_usd_per_cwt"] is None


def test_csv_reads_back(tmp_path: Path):
    Lots().to_csv(tmp_path / "lots.csv")
    pd.testing.assert_frame_equal(pd.read_csv(tmp_path / "lots.csv"), FRAME)


@pytest.mark.parametrize(
    ("ending", "begins"), [(".png", b"\x89PNG"), (".svg", b"<svg"), (".pdf", b"%PDF")]
)
def test_a_chart_is_saved_by_its_ending(tmp_path: Path, ending, begins):
    Lots().save_chart(tmp_path / f"chart{ending}")
    assert (tmp_path / f"chart{ending}").read_bytes().startswith(begins)


def test_a_chart_with_another_ending_is_refused(tmp_path: Path):
    with pytest.raises(FileTrouble, match=r"\.png, \.svg or \.pdf"):
        save(Lots().chart(), tmp_path / "chart.txt")


def test_every_question_can_be_loaded_in_one_process():
    """As the desk does: no two of them give one column name two formats."""
    for room in ("grinder", "trader", "reporter", "lean"):
        package = import_module(f"blend.{room}")
        for module in iter_modules(package.__path__):
            import_module(f"blend.{room}.{module.name}")
