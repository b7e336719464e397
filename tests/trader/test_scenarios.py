"""Scenarios: warm answers equal fresh ones, the same for any number of workers, drawn rightly."""

from __future__ import annotations

import resource
from dataclasses import replace
from datetime import date, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.quotations import Quotation
from blend.domain.rules import Rule, RuleKind
from blend.domain.scenarios import (
    BASE,
    Change,
    Distribution,
    Drawn,
    ScenarioField,
    ScenarioRow,
)
from blend.domain.selectors import parse_selector
from blend.errors import BlendError, FileTrouble, InputRefused
from blend.model.scenarios import WarmCase
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.trader.chunks import CHUNK
from blend.trader.import_parity import at_rate, landed_usd_per_lb
from blend.trader.kept_scenarios import Keep
from blend.trader.past_weeks import PastWeeks
from blend.trader.risk import Joint, nearest_correlation
from blend.trader.scenarios import ScenarioJob, run_scenarios, weeks_followed
from blend.units import LB_PER_CWT
from tests.bench.instances import make_instance
from tests.published.test_import_parity import OFFER, RATES
from tests.strategies import cases, selectors
from tests.trader.sweep import changed_case

ROWS = (
    ScenarioRow(
        "dear", ScenarioField.PRICE, Change.ADD, 0.2, "lean up", parse_selector("lean>=0.8")
    ),
    ScenarioRow(
        "none", ScenarioField.QUANTITY, Change.SET, 0.0, "a lot gone", parse_selector("lot=L003")
    ),
    ScenarioRow(
        "lean",
        ScenarioField.PRICE,
        Change.MULTIPLY,
        1.0,
        lots=parse_selector("lean>=0.8"),
        distribution=Distribution.LOGNORMAL,
        sd=0.05,
    ),
    ScenarioRow(
        "fat",
        ScenarioField.PRICE,
        Change.MULTIPLY,
        1.0,
        lots=parse_selector("lean<0.8"),
        distribution=Distribution.LOGNORMAL,
        sd=0.08,
        correlated_with="lean",
        correlation=-0.6,
    ),
    ScenarioRow(
        "supply",
        ScenarioField.QUANTITY,
        Change.MULTIPLY,
        1.0,
        distribution=Distribution.TRIANGULAR,
        minimum=0.9,
        maximum=1.3,
    ),
)


def _job(draws: int, seed: int = 3, lots: int = 12, products: int = 3) -> ScenarioJob:
    case = make_instance(lots, products, 1)
    product_ids = tuple(product.product_id for product in case.products)
    order = ScenarioRow(
        "order",
        ScenarioField.ORDER,
        Change.MULTIPLY,
        1.0,
        products=product_ids[:2],
        distribution=Distribution.NORMAL,
        sd=0.1,
        minimum=0.0,
    )
    return ScenarioJob(case, (*ROWS[:1], *ROWS[2:], order), draws, seed)


# Warm and fresh ---------------------------------------------------------------------------------


@st.composite
def drawn_changes(draw: st.DrawFn) -> tuple[Drawn, ...]:
    """Fixed changes of any kind, zeros among them."""
    count = draw(st.integers(1, 4))
    changes = []
    for number in range(count):
        field = draw(
            st.sampled_from((ScenarioField.PRICE, ScenarioField.QUANTITY, ScenarioField.ORDER))
        )
        change = draw(st.sampled_from(Change))
        value = draw(st.sampled_from((0.0, 0.5, 1.0, 1.4, 3000.0)))
        if change is Change.MULTIPLY or field is ScenarioField.PRICE:
            value = min(value, 1.4)
        row = ScenarioRow(
            f"row{number}",
            field,
            change,
            value,
            lots=draw(selectors),
            products=("product1", "product2"),
        )
        changes.append(Drawn(row, value))
    return tuple(changes)


@settings(max_examples=150, deadline=None)
@given(cases(), st.lists(drawn_changes(), min_size=1, max_size=4))
def test_a_warm_scenario_costs_what_a_fresh_plan_of_it_costs(case, scenarios):
    warm = WarmCase(case)
    for changes in scenarios:
        changed = changed_case(case, changes)
        lots = {lot.lot_id: lot for lot in changed.lots if lot != case.lot(lot.lot_id)}
        orders = {p.product_id: (p.min_lb, p.max_lb) for p in changed.products}
        answer = warm.solve(lots, orders)
        fresh = solve_linear(changed)
        assert answer.outcome is fresh.outcome
        if fresh.outcome is Outcome.OPTIMAL:
            assert answer.objective_usd == pytest.approx(fresh.objective_usd, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_next_hundredweight_costs_what_an_order_larger_by_it_adds(seed):
    """At a degenerate optimum too: the first order uses up the lots taken in part."""
    case = make_instance(12, 3, seed)
    took = WarmCase(case).solve({}, {}).taken_lb
    lots = {
        lot_id: replace(case.lot(lot_id), quantity_lb=lb)
        for lot_id, lb in zip(WarmCase(case).lot_ids, took.tolist(), strict=True)
        if 0 < lb < (case.lot(lot_id).max_lb or 0)
    }
    assert lots
    now = WarmCase(case).solve(lots, {})
    for product, usd in zip(case.products, now.next_cwt_usd.tolist(), strict=True):
        max_lb = product.max_lb and product.max_lb + LB_PER_CWT
        order = product.min_lb + 0.01 * LB_PER_CWT, max_lb
        then = WarmCase(case).solve(lots, {product.product_id: order})
        if np.isfinite(usd):
            added = (then.objective_usd - now.objective_usd) / 0.01
            assert usd == pytest.approx(added, rel=1e-3, abs=0.01)
        else:
            assert then.outcome is Outcome.INFEASIBLE


def test_all_of_a_lot_means_all_there_is_of_it_in_the_scenario():
    case = make_instance(12, 3, 1)
    lot = next(lot for lot in case.lots if lot.quantity_lb)
    rule = Rule("all", RuleKind.MUST_USE, lots=parse_selector(f"lot={lot.lot_id}"))
    case = replace(case, rules=(*case.rules, rule))
    half = replace(lot, quantity_lb=lot.quantity_lb / 2)
    taken = WarmCase(case).solve({lot.lot_id: half}, {}).taken_lb
    assert taken[WarmCase(case).lot_index[lot.lot_id]] == pytest.approx(lot.quantity_lb / 2)


def test_the_base_comes_first_and_changes_nothing():
    job = _job(3)
    results = run_scenarios(job)
    assert [job.name(index) for index in range(len(job))][:2] == [BASE, "lean up"]
    fresh = solve_linear(job.case).objective_usd
    assert results.column("objective_usd")[0] == pytest.approx(fresh, rel=1e-9)
    dearer = changed_case(job.case, job.changes(1))
    assert results.column("objective_usd")[1] == pytest.approx(
        solve_linear(dearer).objective_usd, rel=1e-9
    )


# The same for any number of workers ---------------------------------------------------------------


def test_an_answer_does_not_hang_on_what_was_solved_before():
    job = _job(60)
    warm = WarmCase(job.case)

    def solve(index: int):
        changed = changed_case(job.case, job.changes(index))
        lots = {lot.lot_id: lot for lot in changed.lots}
        orders = {p.product_id: (p.min_lb, p.max_lb) for p in changed.products}
        answer = warm.solve(lots, orders)
        return np.concatenate(([answer.objective_usd], answer.taken_lb, answer.next_cwt_usd))

    in_order = [solve(index) for index in range(60)]
    shuffled = np.random.default_rng(0).permutation(60)
    for index in shuffled:
        assert np.array_equal(solve(int(index)), in_order[index], equal_nan=True)


@pytest.mark.slow
def test_one_worker_or_two_give_the_same_to_the_last_bit():
    job = _job(3 * CHUNK + 7)
    one, two = run_scenarios(job), run_scenarios(job, workers=2)
    assert one.outcomes == two.outcomes and one.is_complete
    assert np.array_equal(one.values, two.values, equal_nan=True)


@pytest.mark.slow
def test_and_so_does_a_cluster():
    distributed = pytest.importorskip("distributed")
    job = _job(2 * CHUNK + 7)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        there = run_scenarios(job, scheduler=cluster.scheduler_address)
    assert np.array_equal(there.values, run_scenarios(job).values, equal_nan=True)


@pytest.mark.slow
def test_a_scheduler_that_is_not_there_is_told_of():
    pytest.importorskip("distributed")
    with pytest.raises(BlendError, match="no scheduler answers"):
        run_scenarios(_job(1), scheduler="tcp://127.0.0.1:9")


@pytest.mark.long
def test_memory_does_not_grow_with_ten_thousand_scenarios():
    def peak_mb() -> tuple[float, float]:
        """Of this process, and of the largest worker so far."""
        return tuple(
            resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )

    assert run_scenarios(_job(1_000), workers=2).is_complete
    before = peak_mb()
    results = run_scenarios(_job(10_000), workers=2)
    after = peak_mb()
    assert results.is_complete and len(results.outcomes) == 10_002
    of_results_mb = results.values.nbytes / 2**20
    assert after[0] - before[0] <= of_results_mb + 16
    assert after[1] - before[1] <= 16


def test_ctrl_c_gives_what_is_done_so_far():
    def stop(done: int, of: int) -> None:
        if done >= 2 * CHUNK:
            raise KeyboardInterrupt

    job = _job(5 * CHUNK)
    results = run_scenarios(job, progress=stop)
    assert not results.is_complete
    assert len(results.outcomes) == 2 * CHUNK
    whole = run_scenarios(job)
    assert np.array_equal(results.values, whole.values[: 2 * CHUNK], equal_nan=True)


def test_an_interrupted_run_goes_on_where_it_stopped():
    kept, solved = [], []

    def stop(done: int, of: int) -> None:
        if done >= 2 * CHUNK:
            raise KeyboardInterrupt

    job = _job(4 * CHUNK)
    assert not run_scenarios(job, progress=stop, keep=Keep("f", None, kept.append)).is_complete
    keep = Keep("f", kept[-1], kept.append)
    again = run_scenarios(job, progress=lambda done, of: solved.append(done), keep=keep)
    assert solved[0] == 3 * CHUNK and again.is_complete
    whole = run_scenarios(job)
    assert again.outcomes == whole.outcomes
    assert np.array_equal(again.values, whole.values, equal_nan=True)
    for other, earlier in ((_job(4 * CHUNK, seed=4), kept[-1]), (job, b"no scenarios")):
        with pytest.raises(BlendError, match="Name another"):
            run_scenarios(other, keep=Keep("f", earlier, kept.append))


# What is drawn ------------------------------------------------------------------------------------


def _drawn(row_id: str, draws: int = 4_000) -> np.ndarray:
    job = _job(draws)
    first = 1 + len(job.named)
    values = [
        {drawn.row.row_id: drawn.value for drawn in job.changes(index)}[row_id]
        for index in range(first, first + draws)
    ]
    return np.array(values)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.9])
def test_draws_have_the_quantiles_of_their_distribution(share: float):
    normal = NormalDist().inv_cdf(share)
    assert np.quantile(_drawn("lean"), share) == pytest.approx(np.exp(0.05 * normal), abs=0.006)
    assert np.quantile(_drawn("order"), share) == pytest.approx(1 + 0.1 * normal, abs=0.012)
    # triangular 0.9, 1.0, 1.3: below the mode the chance is (x - 0.9)² / (0.4 × 0.1)
    supply = np.quantile(_drawn("supply"), share)
    chance = (supply - 0.9) ** 2 / 0.04 if supply <= 1.0 else 1 - (1.3 - supply) ** 2 / (0.4 * 0.3)
    assert chance == pytest.approx(share, abs=0.03)


def test_rows_that_move_together_are_correlated_as_told():
    lean, fat = np.log(_drawn("lean")), np.log(_drawn("fat"))
    assert np.corrcoef(lean, fat)[0, 1] == pytest.approx(-0.6, abs=0.04)
    assert np.std(fat) == pytest.approx(0.08, abs=0.004)


def test_draws_stay_within_their_limits():
    row = ScenarioRow(
        "r",
        ScenarioField.ORDER,
        Change.SET,
        5.0,
        distribution=Distribution.NORMAL,
        sd=10.0,
        minimum=2.0,
        maximum=7.0,
    )
    assert {row.drawn(z) for z in (-3.0, 3.0)} == {2.0, 7.0}


def test_a_draw_is_the_same_however_many_there_are():
    assert _job(10).changes(4) == _job(1_000).changes(4)
    assert _job(10, seed=4).changes(4) != _job(10).changes(4)


# Exchange rates -----------------------------------------------------------------------------------


def test_a_rate_moves_the_lot_by_as_much_as_its_landed_price():
    job = _job(0)
    lot = job.case.lots[0]
    offer = replace(
        OFFER, currency="AUD", price=9.5, price_per="kg", usd_per_currency=0.65, lot_id=lot.lot_id
    )
    row = ScenarioRow("weak", ScenarioField.RATE, Change.MULTIPLY, 0.9, "weak", currency="AUD")
    job = replace(job, rows=(row,), offers=(offer,), rates=RATES)
    (added,) = job.added_by_rates(job.changes(1)).items()
    weaker = landed_usd_per_lb(at_rate(offer, 0.585), RATES)
    assert added == (lot.lot_id, pytest.approx(weaker - landed_usd_per_lb(offer, RATES)))
    cost = run_scenarios(job).column("objective_usd")
    moved = changed_case(job.case, (), {lot.lot_id: added[1]})
    assert cost[1] == pytest.approx(solve_linear(moved).objective_usd, rel=1e-9)


def test_an_offer_that_lacks_a_rate_is_told_of_before_any_work():
    row = ScenarioRow("weak", ScenarioField.RATE, Change.MULTIPLY, 0.9, "weak", currency="USD")
    lacking = replace(OFFER, lot_id="x", assessment_usd_per_kg=None)
    job = replace(_job(0), rows=(row,), offers=(lacking,), rates=RATES)
    with pytest.raises(InputRefused):
        run_scenarios(job)


# History and correlations -----------------------------------------------------------------------

PAST = np.random.default_rng(5).multivariate_normal(
    [0, 0], [[0.0016, 0.0015], [0.0015, 0.0036]], 200
)


def _of_history(joint: Joint, pairs: dict[tuple[str, str], float] | None = None) -> ScenarioJob:
    """Lean and fat follow past weeks, supply does not."""
    lean, fat = (
        replace(row, distribution=Distribution.HISTORY, sd=None, follows=name,
                correlated_with="", correlation=None)
        for row, name in ((ROWS[2], "90s"), (ROWS[3], "50s"))
    )  # fmt: skip
    days = tuple(date(2026, 1, 1) + timedelta(weeks=week) for week in range(len(PAST)))
    past = PastWeeks(("90s", "50s"), (349.0, 90.0), days, tuple(map(tuple, PAST)))
    given = tuple((*pair, value) for pair, value in (pairs or {}).items())
    return ScenarioJob(
        make_instance(6, 2, 1), (lean, fat, ROWS[4]), 4_000, 3,
        past=past, weeks_ahead=4, joint=joint, correlations=given,
    )  # fmt: skip


def _logs(job: ScenarioJob) -> np.ndarray:
    """What each draw multiplies lean and fat by, as logarithms."""
    first = 1 + len(job.named)
    drawn = [job.changes(index) for index in range(first, first + job.draws)]
    return np.log([[each.value for each in changes[:2]] for changes in drawn])


@pytest.mark.parametrize("joint", Joint)
def test_rows_that_follow_history_move_as_its_weeks_did(joint):
    logs, past = _logs(_of_history(joint)), np.log1p(PAST)
    assert logs.std(0) == pytest.approx(2 * past.std(0), rel=0.1)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(np.corrcoef(past.T)[0, 1], abs=0.06)
    if joint is Joint.BOOTSTRAP:
        assert logs.mean(0) == pytest.approx(4 * past.mean(0), abs=0.005)


def test_any_correlations_are_taken_and_the_nearest_that_fit_are_shown():
    pairs = {("lean", "fat"): 0.9, ("fat", "supply"): 0.9, ("lean", "supply"): -0.9}
    job = _of_history(Joint.COVARIANCE, pairs)
    nearest, moved = nearest_correlation([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]])
    assert job.correlations_used == pytest.approx(nearest, abs=1e-8)
    assert job.repaired_by == pytest.approx(moved)
    assert np.corrcoef(_logs(job).T)[0, 1] == pytest.approx(nearest[0, 1], abs=0.04)
    with pytest.raises(InputRefused, match="joint covariance"):
        run_scenarios(_of_history(Joint.BOOTSTRAP, pairs))
    with pytest.raises(InputRefused, match="nobody"):
        run_scenarios(_of_history(Joint.COVARIANCE, {("lean", "nobody"): 0.5}))


def test_a_run_of_history_is_packed_kept_and_charted():
    job = replace(_of_history(Joint.COVARIANCE, {("lean", "supply"): 0.3}), draws=CHUNK + 5)
    saved: list[bytes] = []
    full = run_scenarios(job, keep=Keep("kept", None, saved.append))
    again = run_scenarios(job, keep=Keep("kept", saved[-1], saved.append))
    assert np.array_equal(full.values, again.values, equal_nan=True)
    other = replace(job, weeks_ahead=5)
    with pytest.raises(FileTrouble, match="another"):
        run_scenarios(other, keep=Keep("kept", saved[-1], saved.append))
    assert full.tables["correlations"]["correlation_given"].notna().sum() == 1
    drawn = full.tables["draws"]
    assert drawn.columns.tolist() == ["scenario", "lean", "fat", "supply"]
    assert len(drawn) == CHUNK + 5 and drawn["lean"][3] == job.changes(4)[0].value


def test_a_history_too_short_or_without_the_price_followed_is_refused():
    rows = _of_history(Joint.BOOTSTRAP).rows
    quoted = [
        Quotation(item, "beef", 0.9, 3.0 + week / 100, date(2026, 1, 7) + timedelta(weeks=week))
        for week in range(10)
        for item in ("90s", "50s")
    ]
    with pytest.raises(InputRefused, match="9 past weeks"):
        weeks_followed(rows, lambda: (quoted, ()))
    with pytest.raises(InputRefused, match="50s"):
        weeks_followed(rows, lambda: (quoted[::2], ()))
    assert weeks_followed(ROWS, lambda: (quoted, ())) is None
