"""Put invented weeks before those that demo_data/book/quotations.csv holds by hand, and an
exchange and a freight rate for each in book_rates.csv.

    python -m tests.tools.book_history

Prices walk back from the first week written by hand, with the cycle of a year, moves that items
share by their lean, and three wild weeks. The same seed makes the same file.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

import numpy as np

BOOK = Path(__file__).parents[2] / "demo_data" / "book"
QUOTATIONS, RATES = BOOK / "quotations.csv", BOOK / "book_rates.csv"
FIRST_BY_HAND = date(2026, 10, 21)
WEEKS = 54
WILD = {9: -0.045, 27: 0.05, 40: -0.06}
"""Weeks back in which all of the market moved at once."""


def main() -> None:
    with QUOTATIONS.open(newline="") as file:
        by_hand = [
            row
            for row in csv.DictReader(file)
            if date.fromisoformat(row["quoted_on"]) >= FIRST_BY_HAND
        ]
    first = [row for row in by_hand if row["quoted_on"] == FIRST_BY_HAND.isoformat()]
    rng = np.random.default_rng(2026)
    lean = np.array([float(row["lean"]) for row in first]) / 100
    is_beef = np.array([row["species"] == "beef" for row in first])
    level = np.ones(len(first))
    weeks = []
    for back in range(1, WEEKS + 1):
        lean_move, fat_move, pork_move = rng.normal(0, [0.011, 0.03, 0.025])
        season = 0.006 * np.cos(2 * np.pi * back / 52)
        of_beef = lean * lean_move + (1 - lean) * fat_move * 1.5 + season + WILD.get(back, 0.0)
        moves = np.where(is_beef, of_beef, pork_move) + rng.normal(0, 0.007, len(first))
        level = np.clip(level / np.exp(moves), 0.6, 1.5)
        day = FIRST_BY_HAND - timedelta(weeks=back)
        weeks.append([_row(row, at, day, rng) for row, at in zip(first, level, strict=True)])
    rows = [row for week in reversed(weeks) for row in week] + by_hand
    _write(QUOTATIONS, rows)
    days = sorted({row["quoted_on"] for row in rows})
    rng = np.random.default_rng(27)
    fall = np.array([float(row["price"]) for row in rows if row["item"] == "90 CL"])
    moves = np.diff(np.log(fall), prepend=np.log(fall[0]))
    exchange = 0.612 * np.exp((0.25 * moves + rng.normal(0, 0.009, len(days))).cumsum())
    freight = 8.9 * np.exp(rng.normal(0, 0.02, len(days)).cumsum())
    _write(
        RATES,
        [
            {"rate": rate, "kind": kind, "rated_on": day, "value": f"{value:.4g}"}
            for rate, kind, values in (
                ("NZD", "exchange", exchange),
                ("Auckland to Philadelphia", "freight", freight),
            )
            for day, value in zip(days, values, strict=True)
        ],
    )


def _write(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _row(row: dict[str, str], level: float, day: date, rng: np.random.Generator) -> dict[str, str]:
    ticks_per_unit = 400 if row["price_unit"] == "usd_per_lb" else 4
    price = round(float(row["price"]) * level * ticks_per_unit) / ticks_per_unit
    loads = int(rng.integers(2, 13))
    pounds = str(loads * 40_000)
    return row | {"price": f"{price:g}", "pounds_lb": pounds, "quoted_on": day.isoformat()}


if __name__ == "__main__":
    main()
