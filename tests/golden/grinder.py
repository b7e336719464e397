"""The plant's golden screens."""

ADJUST = ["adjust", "demo_data", "--product", "GB80", "--pounds", "3800", "--fat", "22"]

CASES = {
    "lot_unused": ["lot", "demo_data", "B90-1", "--all"],
    "lot": ["lot", "demo_data", "I90-1"],
    "lot_barred": ["lot", "demo_data", "HRT-1"],
    "lot_item": ["lot", "demo_data", "fresh 90s"],
    "adjust": [*ADJUST, "--lot", "I90-1", "--lot", "BUL-1"],
    "adjust_in_the_way": ADJUST,
    "lean": ["lean", "demo_data"],
    "lean_all": ["lean", "demo_data", "--all"],
    "control": ["control", "demo_data"],
    "days": ["positions", "demo_data", "--containers", "no"],
    "days_all": ["positions", "demo_data", "--containers", "no", "--all"],
    "control_all": ["control", "demo_data", "--all"],
}
