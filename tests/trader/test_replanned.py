"""Plans made again in drawn prices, against plans made from scratch at those prices."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from blend.domain.horizon import Horizon
from blend.errors import FileTrouble, InputRefused
from blend.grinder.plan_days import plan_days
from blend.tables.book import read_book
from blend.tables.positions import read_coolers
from blend.tables.quotations import read_quotations
from blend.trader.book_plan import book_horizon
from blend.trader.book_risk import book_risk
from blend.trader.chunks import CHUNK, Work
from blend.trader.kept_scenarios import Keep
from blend.trader.replanned import items_priced, replanned

FOLDER = Path(__file__).parents[2] / "demo_data" / "book"
TODAY = date(2026, 11, 25)
BOOK = read_book(FOLDER)[0]
QUOTED = read_quotations(FOLDER).quotations
FIRM = frozenset({"Q-38", "Q-41"})


@pytest.fixture(scope="module")
def plan() -> Horizon:
    coolers = read_coolers(FOLDER)[0]
    return book_horizon(BOOK, QUOTED, coolers, TODAY, demands={}, market_share=0.98)[0]


def drawn(horizon: Horizon, count: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    return {item: np.exp(rng.normal(0, 0.1, count)) for item in items_priced(horizon)}


def test_each_draw_agrees_with_a_plan_made_from_scratch(plan):
    factors = drawn(plan, 6)
    kept, best = replanned(plan, factors, FIRM)
    today = plan_days(plan, divisible=True, shadow_prices=False)
    for draw in range(6):
        prices = tuple(
            replace(price, price_usd_per_lb=price.price_usd_per_lb * (
                1.0 if price.price_id in FIRM
                else factors.get(price.lot_id.removesuffix(" frozen"), np.ones(6))[draw]
            ))
            for price in plan.prices
        )  # fmt: skip
        anew = plan_days(replace(plan, prices=prices), divisible=True, shadow_prices=False)
        change = today.money.total_usd - anew.money.total_usd
        assert best[draw] == pytest.approx(change, abs=0.05)
    assert (best >= kept - 1e-6).all() and (best > kept + 1).any()
    still = {item: np.ones(1) for item in factors}
    assert np.concatenate(replanned(plan, still)) == pytest.approx(0, abs=1e-4)


def test_two_runs_make_one_and_the_kept_file_is_of_its_job(plan):
    factors = drawn(plan, 2 * CHUNK + 7)
    full = replanned(plan, factors, FIRM)
    saved: list[bytes] = []
    first = Work(stopped=lambda: True, keep=Keep("kept", None, saved.append))
    assert len(replanned(plan, factors, FIRM, first)[0]) == CHUNK
    seen = []
    rest = Work(
        progress=lambda done, of: seen.append(done), keep=Keep("kept", saved[-1], saved.append)
    )
    assert np.concatenate(replanned(plan, factors, FIRM, rest)) == pytest.approx(
        np.concatenate(full), abs=0.01
    )
    assert seen == [2 * CHUNK, 2 * CHUNK + 7]
    with pytest.raises(FileTrouble):
        replanned(plan, factors, frozenset(), rest)


@pytest.mark.slow
def test_a_cluster_and_two_processes_give_the_same(plan):
    distributed = pytest.importorskip("distributed")
    factors = drawn(plan, 3 * CHUNK)
    alone = np.concatenate(replanned(plan, factors, FIRM))
    assert np.concatenate(replanned(plan, factors, FIRM, Work(2))) == pytest.approx(alone, abs=0.01)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        work = Work(scheduler=cluster.scheduler_address)
        found = np.concatenate(replanned(plan, factors, FIRM, work))
    assert found == pytest.approx(alone, abs=0.01)


def test_a_book_planned_again_never_earns_less_than_with_its_plan_kept(plan):
    found = book_risk(BOOK, QUOTED, TODAY, draws=200, plan=plan)
    drawn_usd = found.drawn.tables["draws"]
    assert (drawn_usd["replanned_usd"] >= drawn_usd["plan_kept_usd"] - 1e-6).all()
    assert found.drawn.tables["measures"]["book_is"].tolist() == [
        "held as it is", "today's plan kept", "re-planned",
    ]  # fmt: skip
    together = np.corrcoef(drawn_usd["held_usd"], drawn_usd["replanned_usd"])[0, 1]
    assert together > 0.6
    lines = {row["way"] for row in found.chart()["datasets"]["draws"]}
    assert lines == set(found.drawn.ways)


def test_a_past_week_is_lived_through_again():
    found = book_risk(BOOK, QUOTED, TODAY, stress_weeks=[date(2026, 1, 19)])
    at = found.week_ends.index(date(2026, 1, 21))
    assert found.stresses["Week to Jan 21, 2026"] == pytest.approx(found.weekly_usd[at])
    with pytest.raises(InputRefused, match="past week"):
        book_risk(BOOK, QUOTED, TODAY, stress_weeks=[date(2019, 1, 19)])
