"""Break-even answers: what is said of any curve, charts of any curve, whole-container plans."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from blend.check.curves import Certified
from blend.domain.certificates import DemandStep
from blend.grinder.live import LiveCase
from blend.output.charts import picture
from blend.trader.breakeven import (
    BreakEven,
    BreakEvenOfTwo,
    breakeven,
    breakeven_by_pounds,
    breakeven_of_two,
)
from blend.trader.curves import DemandCurve, region_map
from tests.bench.instances import make_instance

CASE = make_instance(12, 3, 1)
LOTS = CASE.usable_lots()
PNG = b"\x89PNG\r\n"
NEVER = [DemandStep(0.0, math.inf, 0.0, 10.0)]
ALWAYS = [DemandStep(0.0, math.inf, 500.0, 10.0)]
BELOW_A_DOLLAR = [DemandStep(0.0, 1.0, 500.0, 10.0), DemandStep(1.0, math.inf, 0.0, 510.0)]
CUT_OFF = [DemandStep(0.5, 1.2, 500.0, 10.0)]


def _answer(steps) -> BreakEven:
    curve = DemandCurve("L1", 0.8, 500.0, tuple(steps), 3, 0.0)
    return BreakEven(LOTS[0], curve, Certified(len(steps), 0.0, ()), CASE.settings.plan_on)


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (NEVER, "none of it at any of these prices"),
        (ALWAYS, "can't fill orders without it"),
        (BELOW_A_DOLLAR, "Break-even $100.00"),
        (CUT_OFF, "still used at $120.00, the highest"),
    ],
)
def test_any_curve_can_be_put_in_words_and_drawn(steps, words):
    answer = _answer(steps)
    assert words in " ".join(answer.screen().split())
    assert "could be split" in answer.screen()
    assert picture(answer.chart(), ".png").startswith(PNG)


def test_the_whole_container_plan_is_named_next_to_the_relaxation():
    takes = [breakeven(CASE, lot.lot_id) for lot in LOTS]
    assert any(each.whole_plan_lb for each in takes)
    for each in takes:
        amount = f"{each.whole_plan_lb:,.0f} lb" if each.whole_plan_lb else "none"
        assert f"plan takes {amount}." in " ".join(each.screen().split())
    assert breakeven(CASE, LOTS[0].lot_id, available_lb=math.inf).whole_plan_lb is None


def test_lots_dropped_at_a_price_are_dropped_in_plans_made_next_to_it():
    lot_id = max(LOTS, key=lambda lot: len(breakeven(CASE, lot.lot_id, whole=False).curve.steps))
    answer = breakeven(CASE, lot_id.lot_id, whole=False)

    def used(usd_per_lb: float) -> dict[str, float]:
        own = answer.lot.lot_id
        lots = tuple(
            replace(lot, price_usd_per_lb=usd_per_lb, price_basis="delivered")
            if lot.lot_id == own
            else lot
            for lot in CASE.lots
        )
        return {
            live.lot_id: live.used_lb for live in LiveCase().plan(replace(CASE, lots=lots)).lots
        }

    dropped = 0
    switches = answer.tables["switches"]
    assert len(switches) == len(answer.curve.breakpoints)
    for text, at in zip(switches["instead_of"], reversed(answer.curve.breakpoints), strict=True):
        above, below = used(at.usd_per_lb + 1e-5), used(at.usd_per_lb - 1e-5)
        for lot_id in re.findall(r"(\S+) [\d,]+ \(all\)", text):
            dropped += 1
            assert above[lot_id] > 0.5 > below[lot_id]
    assert dropped


def test_by_pounds_ends_where_more_saves_nothing():
    answer = breakeven_by_pounds(CASE, LOTS[0].lot_id)
    steps = answer.tables["steps"]
    assert math.isinf(steps["on_offer_to_lb"].iloc[-1])
    assert math.isnan(steps["break_even_usd_per_cwt"].astype(float).iloc[-1])
    assert picture(answer.chart(), ".png").startswith(PNG)


def test_two_lots_cover_the_window_and_a_map_cut_short_says_so(monkeypatch):
    ids = (LOTS[0].lot_id, LOTS[1].lot_id)
    answer = breakeven_of_two(CASE, ids, around_share=0.3)
    assert answer.tables["regions"]["window_percent"].sum() == pytest.approx(100)
    assert picture(answer.chart(), ".svg").startswith(b"<svg")
    rough = region_map(
        CASE, ids, min_usd_per_lb=(0.1, 0.1), max_usd_per_lb=(3.0, 3.0), max_solves=4
    )
    cut = BreakEvenOfTwo((LOTS[0], LOTS[1]), rough, None, CASE.settings.plan_on)
    assert "NOT EXACT" in " ".join(cut.screen().split())
    assert "NOT EXACT" in cut.chart()["title"]["subtitle"]
