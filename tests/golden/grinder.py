"""The plant's golden screens."""

PLAN = ["plan", "demo_data", "--no-workbook"]
ADJUST = ["adjust", "demo_data", "--product", "GB80", "--pounds", "3800", "--fat", "22"]

CASES = {
    "plan": PLAN,
    "plan_all": [*PLAN, "--all"],
    "plan_temps": [*PLAN, "--temps", "--max-temp", "34"],
    "compare": [*PLAN[:2], "--compare", "demo_data/ground.csv"],
    "no_plan": ["plan", "demo_data/no_plan", "--no-workbook"],
    "check": ["check", "demo_data"],
    "lot_unused": ["lot", "demo_data", "B90-1", "--all"],
    "lot": ["lot", "demo_data", "I90-1"],
    "lot_barred": ["lot", "demo_data", "HRT-1"],
    "lot_item": ["lot", "demo_data", "fresh 90s"],
    "adjust": [*ADJUST, "--lot", "I90-1", "--lot", "BUL-1"],
    "adjust_in_the_way": ADJUST,
    "lean": ["lean", "demo_data"],
    "lean_all": ["lean", "demo_data", "--all"],
    "control": ["control", "demo_data"],
    "days": ["plan", "demo_data", "--days", "--containers", "no"],
    "days_all": ["plan", "demo_data", "--days", "--containers", "no", "--all"],
    "control_all": ["control", "demo_data", "--all"],
    "simulate": [
        "simulate",
        "demo_data",
        "--draws",
        "200",
        "--containers",
        "no",
        "--time-limit",
        "300",
    ],
    "guide": ["guide"],
}
