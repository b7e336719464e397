"""The trader's pages: what lean and fat are worth, every lot, imports, days and scenarios."""

from __future__ import annotations

from starlette.routing import Route

from blend.desk import trader_book, trader_days, trader_imports, trader_lots, trader_value
from blend.desk.pages import view
from blend.desk.tables import Part

parts: dict[str, tuple[str, Part]] = {
    "trader-value": ("parts/trader_value.html", trader_value.values),
    "trader-tables": ("parts/trader_tables.html", trader_value.table_values),
    "trader-lots": ("parts/trader_lots.html", trader_lots.values),
    "trader-landed": ("parts/trader_landed.html", trader_imports.values),
    "trader-builds": ("parts/trader_tables.html", trader_imports.build_values),
}
"""What is rebuilt after an edit: template, and its values."""

routes = [
    Route("/trader", view(trader_value.value_page)),
    Route("/trader/through", view(trader_value.through)),
    Route("/trader/lots", view(trader_lots.lots_page)),
    Route("/trader/lots/table", view(trader_lots.lots_part)),
    Route("/trader/lot/{lot_id:path}", view(trader_lots.lot_page)),
    Route("/trader/demand", view(trader_lots.demand)),
    Route("/trader/supply", view(trader_lots.supply)),
    Route("/trader/regions", view(trader_lots.regions)),
    Route("/trader/landed", view(trader_imports.landed_page)),
    Route("/trader/book", view(trader_book.book_page)),
    Route("/trader/positions", view(trader_days.positions_page)),
    Route("/trader/positions/answer", view(trader_days.positions)),
    Route("/trader/positions/ledger.csv", view(trader_days.ledger)),
    Route("/trader/scenarios", view(trader_days.scenarios_page)),
    Route("/trader/scenarios/answer", view(trader_days.scenarios)),
    Route("/trader/scenarios/rows.csv", view(trader_days.scenario_rows)),
    Route("/trader/since", view(trader_days.since)),
]
