"""A trader's week through the commands: an offer comes in, is landed, sold to three customers,
hedged, marked each day, explained to the dollar, and a lean claim is settled."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main

DEMO = Path(__file__).parents[2] / "demo_data"
DAYS = ["2026-11-30", "2026-12-01", "2026-12-02", "2026-12-03", "2026-12-04"]
LEAN = {"50s": 50, "85s": 85, "90s": 90, "90 CL": 90}
QUOTED = {
    "50s": [91.0, 90.5, 92.25, 93.0, 92.5],
    "85s": [312.5, 314.0, 313.0, 310.75, 309.5],
    "90s": [350.0, 352.5, 351.0, 347.75, 346.0],
    "90 CL": [324.5, 326.0, 326.25, 323.0, 321.5],
}
NZD = [0.632, 0.6335, 0.631, 0.6292, 0.6305]
LANE = "Auckland to Philadelphia"
FREIGHT = [8.9, 8.9, 9.05, 9.1, 9.0]
FOB_NZD_PER_KG, OTHER_COSTS = 10.35, 18.4


@pytest.fixture(name="desk")
def a_desk(tmp_path, monkeypatch):
    """A command on a day, with $BLEND_BOOK set."""
    folder = tmp_path / "book"
    folder.mkdir()
    for name in ("quotations", "book_rates"):
        text = (DEMO / "book" / f"{name}.csv").read_text()
        (folder / f"{name}.csv").write_text(text + "".join(_of_the_week(name)))
    (folder / "limits.csv").write_text("kind,limited,max_lb,max_usd\ncounterparty,,,300000\n")
    (folder / "customers.csv").write_text(
        "customer,item_id,takes_lb,pays_usd_per_cwt,freight_usd_per_cwt\n"
        "Grinder G,90 CL,2 loads,328.00,2.25\nGrinder H,90 CL,2 loads,328.50,3.10\n"
        "Grinder J,90 CL,20 t,331.00,5.40\nGrinder K,90 CL,2 loads,315.00,4.10\n"
    )
    for name in ("foreign_offers", "losses"):
        (tmp_path / f"{name}.csv").write_text((DEMO / f"{name}.csv").read_text())

    def run(day: str, *words: str) -> str:
        monkeypatch.setattr("blend.cli.book._today", lambda column: {column: day})
        done = CliRunner().invoke(main, list(words), env={"BLEND_BOOK": str(tmp_path / "b.sqlite")})
        assert done.exit_code == 0, done.output
        return done.stdout

    run.folder = folder
    return run


def _of_the_week(name: str) -> list[str]:
    if name == "quotations":
        return [
            f"{item},beef,{'frozen' if item == '90 CL' else 'fresh'},{LEAN[item]},{price},"
            f"usd_per_cwt,,{day}\n"
            for item, prices in QUOTED.items()
            for day, price in zip(DAYS, prices, strict=True)
        ]
    return [
        f"{rate},{kind},{day},{value}\n"
        for rate, kind, values in (("NZD", "exchange", NZD), (LANE, "freight", FREIGHT))
        for day, value in zip(DAYS, values, strict=True)
    ]


def shown(text: str) -> tuple[dict, dict[str, list[dict]]]:
    read = json.loads(text)
    return read["figures"], {name: each["rows"] for name, each in read["tables"].items()}


def add(run, day: str, deal_id: str, side: str, item: str, pounds: str, price: str, *more: str):
    return run(
        day, "book", "add", "--deal-id", deal_id, "--side", side, "--item-id", item,
        "--pounds-lb", pounds, "--price", price, *more,
    )  # fmt: skip


def test_a_traders_week(desk, tmp_path):
    folder = str(desk.folder)
    monday, tuesday, wednesday, thursday, friday = DAYS

    # Monday: an offer comes in, is landed and bought; customers are asked and an offer goes out
    _, landed = shown(desk(monday, "landed", str(DEMO), "--offer", "NZ90", "--json"))
    landed_cost = landed["offers"][0]["landed_usd_per_cwt"]
    add(desk, monday, "P-1", "buy", "90 CL", "5 loads", f"{FOB_NZD_PER_KG}/kg", "--currency",
        "NZD", "--freight-lane", LANE, "--to-land-usd-per-cwt", str(OTHER_COSTS), "--where",
        "afloat", "--counterparty", "Exporter F")  # fmt: skip
    sheet = tmp_path / "offer.html"
    _, who = shown(
        desk(monday, "customers", folder, "90 CL", "--loads", "5", "--cost", f"{landed_cost:.2f}",
             "--offer-sheet", str(sheet), "--customer", "Grinder H", "--json")
    )  # fmt: skip
    assert "Grinder H" in sheet.read_text() and "Grinder G" not in sheet.read_text()
    loads = {row["customer"]: row["split_loads"] for row in who["customers"]}
    assert loads == {"Grinder G": 2, "Grinder H": 2, "Grinder J": 1, "Grinder K": 0}

    # Tuesday: sold to three, one fixed, one on a formula, one on a basis still open
    add(desk, tuesday, "S-1", "sell", "90 CL", "2 loads", "327.75", "--counterparty", "Grinder G",
        "--where", "contract", "--lean-claim", "by_line")  # fmt: skip
    add(desk, tuesday, "S-2", "sell", "90 CL", "2 loads", "1.25", "--pricing", "formula",
        "--priced-on", thursday, "--counterparty", "Grinder H", "--where", "contract")  # fmt: skip
    add(desk, tuesday, "S-3", "sell", "90 CL", "40000 lb", "-22.5 cents/lb", "--pricing", "basis",
        "--priced-off", "90s", "--price-by", "2026-12-15", "--counterparty", "Grinder J",
        "--where", "contract")  # fmt: skip

    # Wednesday: S-3 still moves with 90s and is hedged there
    risk = desk(wednesday, "book", "risk", folder,
                "--hedge-with", "90s", "--day", wednesday)  # fmt: skip
    assert "value at risk" in risk and "90s" in risk
    add(desk, wednesday, "H-1", "buy", "90s", "1 load", "351.50", "--counterparty", "Packer A")
    confirmed = desk(wednesday, "book", "confirm", "S-2", folder, "--house", "Our Company")
    assert "plus $1.25/cwt" in confirmed and "Grinder H" in confirmed

    # Friday: S-1 arrives a little light and a point short, and is settled
    paid, _ = shown(
        desk(friday, "book", "settle", "S-1", folder,
             "--delivered", "79,600", "--tested", "89", "--record", "--json")
    )  # fmt: skip
    off_usd_per_cwt = paid["claim_usd"] / 796
    assert paid["due_usd"] == pytest.approx(796 * 327.75 - paid["claim_usd"])
    assert 2 < off_usd_per_cwt < 9  # a point on the week's line

    # Each day is marked, and explained to the cent from the one before
    before = 0.0
    for at, day in enumerate(DAYS):
        figures, tables = shown(desk(friday, "book", "show", folder, "--day", day, "--json"))
        assert figures["total_usd"] == pytest.approx(ledger_usd(at, off_usd_per_cwt), abs=0.005)
        assert figures["moved_usd"] == pytest.approx(figures["total_usd"] - before, abs=0.005)
        for row in tables["explained"]:
            parts = [usd for name, usd in row.items() if name.startswith("from_")]
            assert sum(parts) == pytest.approx(row["total_usd"], abs=0.005)
        before = figures["total_usd"]
    week = {name: sum(row[f"from_{name}_usd"] for row in tables["explained"])
            for name in ("exchange", "freight", "quantity", "new_business")}  # fmt: skip
    kg = 200_000 * 0.45359237
    assert week["exchange"] == pytest.approx(-kg * FOB_NZD_PER_KG * (NZD[4] - NZD[3]), abs=0.005)
    assert week["freight"] == pytest.approx(-2_000 * (FREIGHT[4] - FREIGHT[3]), abs=0.005)
    assert week["new_business"] == 0
    light = 4 * (QUOTED["90 CL"][4] - 327.75)
    assert week["quantity"] == pytest.approx(light - paid["claim_usd"], abs=0.005)

    first_screen = desk(friday, "book", "show", folder)
    assert "Open with Exporter F" in first_screen and "over its limit" in first_screen
    assert len(first_screen.splitlines()) <= 40


def ledger_usd(at: int, off_usd_per_cwt: float) -> float:
    """Cash in and out and what is held at the day's quotation, by hand."""
    quoted = {item: prices[at] for item, prices in QUOTED.items()}
    kg = 200_000 * 0.45359237
    usd = 2_000 * quoted["90 CL"] - kg * FOB_NZD_PER_KG * NZD[at] - 2_000 * (
        OTHER_COSTS + FREIGHT[at]
    )  # fmt: skip
    if at >= 1:
        cwt, price = (796, 327.75 - off_usd_per_cwt) if at == 4 else (800, 327.75)
        usd += cwt * (price - quoted["90 CL"])
        usd += 800 * (QUOTED["90 CL"][min(at, 3)] + 1.25 - quoted["90 CL"])
        usd += 400 * (quoted["90s"] - 22.5 - quoted["90 CL"])
    if at >= 2:
        usd += 400 * (quoted["90s"] - 351.5)
    return usd
