"""The trader's golden screens."""

CASES: dict[str, list[str]] = {
    "value": ["value", "demo_data"],
    "value_all": ["value", "demo_data", "--species", "pork", "--all"],
}
