"""Scenarios as tables: the named ones, and the spread of the draws."""

from __future__ import annotations

import numpy as np

from blend.show.amounts import count_of, number_words, percent
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table
from blend.trader.scenarios import NEXT_CWT, SUMMARY, TAKEN, ScenarioResults

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_MIN_LB = 0.5
_WORDS = {
    "objective_usd": "Cost of the plan, USD",
    "usd_per_finished_cwt": "Cost of a finished cwt, USD",
    "finished_lb": "Finished, lb",
    "short_lb": "Short, lb",
}


def scenarios_tables(results: ScenarioResults) -> list[ShownTable]:
    """Named scenarios, then quantiles of the draws: totals, orders, lots."""
    tables = [named_table(results)]
    if results.job.draws:
        tables += [totals_table(results), orders_table(results), lots_table(results)]
    return tables


def named_table(results: ScenarioResults) -> ShownTable:
    """The case as planned and each named scenario, with what it adds to the cost."""
    columns = (
        ShownColumn("Scenario"),
        ShownColumn("Cost", "USD", Format.WHOLE),
        ShownColumn("Against plan", "USD", Format.WHOLE),
        ShownColumn("Finished", "lb", Format.WHOLE),
        ShownColumn("Short", "lb", Format.WHOLE),
    )
    cost = results.column("objective_usd")
    rows: list[tuple[Cell, ...]] = []
    for index in range(min(1 + len(results.job.named), len(results.outcomes))):
        name = results.job.name(index)
        if np.isnan(cost[index]):
            rows.append((name, f"no plan ({results.outcomes[index].value})", None, None, None))
            continue
        rows.append(
            (
                name,
                float(cost[index]),
                None if index == 0 else _or_none(cost[index] - cost[0]),
                float(results.column("finished_lb")[index]),
                float(results.column("short_lb")[index]) or None,
            )
        )
    note = (
        "With containers, counts and batches taken as divisible; prices move for every pound "
        "taken, stock among them."
    )
    return shown_table("Scenarios", columns, rows, note)


def _or_none(number: float) -> Cell:
    return None if np.isnan(number) else float(number)


def _quantile_columns(first: str, unit: str, decimals: Format) -> list[ShownColumn]:
    heads = [ShownColumn(f"{100 * share:.0f} %", unit, decimals) for share in QUANTILES]
    return [ShownColumn(first), *heads]


def _quantiles(values: np.ndarray) -> tuple[Cell, ...]:
    if not len(values):
        return (None,) * len(QUANTILES)
    # between a number and "no plan" there is nothing to interpolate
    how = "linear" if np.isfinite(values).all() else "inverted_cdf"
    quantiles = np.quantile(values, QUANTILES, method=how)
    return tuple("no plan" if np.isinf(each) else float(each) for each in quantiles)


def totals_table(results: ScenarioResults) -> ShownTable:
    columns = [*_quantile_columns("Of the draws", "", Format.HUNDREDTHS)]
    rows = [(_WORDS[name], *_quantiles(results.drawn(name))) for name in SUMMARY]
    drawn = len(results.outcomes) - 1 - len(results.job.named)
    planned = len(results.drawn("objective_usd"))
    note = f"{count_of(drawn, 'draw')}, seed {results.job.seed}"
    if drawn > planned:
        share = percent((drawn - planned) / drawn)
        note += f"; {count_of(drawn - planned, 'draw')} without any plan ({share}) left out"
    if not results.is_complete:
        note += f"; stopped after {len(results.outcomes):,} of {len(results.job):,} scenarios"
    return shown_table("Spread of the totals", columns, rows, f"{note}.")


def orders_table(results: ScenarioResults) -> ShownTable:
    """Quantiles of what one more hundredweight of each product would cost; "no plan" where there
    would be none with it."""
    columns = _quantile_columns("Next cwt of", "USD", Format.HUNDREDTHS)
    rows = [
        (product.name, *_quantiles(results.drawn(f"{NEXT_CWT}{product.product_id}")))
        for product in results.job.case.products
    ]
    return shown_table("Spread of what orders cost at the margin", columns, rows)


def lots_table(results: ScenarioResults) -> ShownTable:
    """How often each lot is taken, and quantiles of the pounds; the most often taken first."""
    columns = [
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Taken in", "% of draws", Format.TENTHS),
        *_quantile_columns("", "lb", Format.WHOLE)[1:],
    ]
    rows = []
    for name in results.columns:
        if not name.startswith(TAKEN):
            continue
        taken = results.drawn(name)
        often = float((taken > _MIN_LB).mean()) if len(taken) else 0.0
        lot = results.job.case.lot(name.removeprefix(TAKEN))
        rows.append((lot.lot_id, lot.item, 100 * often, *_quantiles(taken)))
    rows.sort(key=lambda row: (-row[2], row[0]))
    used = [row for row in rows if row[2] > 0]
    never = len(rows) - len(used)
    note = f"{count_of(never, 'lot')} never taken. " if never else ""
    note += (
        "Where several plans cost the same, pounds are of the one the solver reaches from the "
        "plan of the day, the same for any number of workers."
    )
    return shown_table("Spread of what is taken", columns, used, note)


def progress_words(done: int, of: int) -> str:
    return f"scenarios {number_words(done, max_decimals=0)} of {of:,}"
