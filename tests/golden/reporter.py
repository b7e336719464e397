"""The reporter's golden screens, from a store filled with the demo's history."""

WEEK, DEMO = "demo_data/week_before", "demo_data"
CASES: dict[str, list[str]] = {
    "canvass_show": ["canvass", "show"],
    "quote": ["quote"],
    "quote_90s_all": ["quote", "--day", "11/20/2026", "--item", "90s", "--all"],
    "volumes": ["volumes"],
    "why": ["why", WEEK, DEMO, "--where", "lot=B90-1", "--quote-change", "5",
            "--quote-error", "1"],
    "why_all": ["why", WEEK, DEMO, "--where", "lot=B90-1", "--all"],
    "why_markets": ["why", "demo_data/market", "demo_data/market/later", "--where", "lot=90s",
                    "--price-error", "0.5", "--parts"],
    "why_market": ["why", "demo_data/market", "--market", "--all"],
    "note": ["note"],
    "weekly": ["weekly"],
}  # fmt: skip
