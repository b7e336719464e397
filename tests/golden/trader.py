"""The trader's golden screens."""

CASES: dict[str, list[str]] = {
    "value": ["value", "demo_data"],
    "breakeven": ["breakeven", "demo_data", "I90-1"],
    "breakeven_all": ["breakeven", "demo_data", "I90-1", "--all"],
    "breakeven_by_pounds": ["breakeven", "demo_data", "I90-1", "--by-pounds"],
    "breakeven_second": ["breakeven", "demo_data", "B90-1", "--second", "B90-2"],
    "substitute": ["substitute", "demo_data"],
    "substitute_quotations": ["substitute", "demo_data", "--quotations"],
    "landed": ["landed", "demo_data"],
    "landed_one": ["landed", "demo_data", "--offer", "NZ90", "--rates"],
    "scenarios": ["scenarios", "demo_data"],
    "scenarios_draws": ["scenarios", "demo_data", "--draws", "20", "--products"],
    "value_all": ["value", "demo_data", "--species", "pork", "--all"],
    "book_show": ["book", "show", "demo_data/book"],
    "book_risk": ["book", "risk", "demo_data/book", "--hedge-with", "90s"],
    "book_confirm": ["book", "confirm", "D-104", "demo_data/book"],
    "book_claim": ["book", "claim", "D-106", "demo_data/book", "--tested", "83.5"],
}
