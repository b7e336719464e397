"""Scenarios: one case under many prices, supplies, orders and exchange rates.

Each scenario is drawn from its own random stream and solved from a start that only the job decides,
so one worker, many, or a cluster give the same table.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, Literal

import numpy as np

from blend.domain.book import BookRate
from blend.domain.case import Case
from blend.domain.imports import ForeignOffer, ImportRate
from blend.domain.lots import Lot
from blend.domain.quotations import Quotation
from blend.domain.scenarios import (
    BASE,
    Change,
    Distribution,
    Drawn,
    ScenarioField,
    ScenarioRow,
    changed_lot,
    changed_order,
)
from blend.errors import InputRefused, refusal
from blend.model.scenarios import WarmCase
from blend.model.solver import Outcome, Start
from blend.output.answer import Answer, Spec
from blend.output.charts import ORANGE, amount, chart, layer, name
from blend.output.formats import Format, counted, day, money, register
from blend.output.frames import DataFrame
from blend.output.screen import table, watch, wrapped
from blend.trader.book_draws import (
    correlation_rows,
    correlations_text,
    repair_words,
    with_given,
)
from blend.trader.chunks import Progress, Work
from blend.trader.import_parity import at_rate, landed_usd_per_lb
from blend.trader.kept_scenarios import Keep
from blend.trader.landed import missing_rates
from blend.trader.past_weeks import MIN_WEEKS, PastWeeks, past_weeks
from blend.trader.risk import Joint, correlation, fitted_moves, nearest_correlation
from blend.units import LB_PER_CWT

_MIN_LB = 1e-6
_ROUNDING = 1e-10
"""Added to the variances of correlated normal numbers: a matrix on the edge has a root then."""
_USED_LB = 0.5
_MAX_PILOTS = 32
"""Draws whose optimal bases the others begin from, each from the nearest (by measurement)."""
QUANTILES = {"q05": 0.05, "q25": 0.25, "q50": 0.5, "q75": 0.75, "q95": 0.95}
"""Columns of quantiles and their shares of the draws."""
BASIS = (
    "Planned again in each, as if combos and batches could be split (LP relaxation): not the"
    " profit or loss of a position held. Prices move for every pound used, stock too."
)
register(
    {
        "scenario_finished_lb": Format("Finished", "lb", 0),
        "scenario_short_lb": Format("Short", "lb", 0),
        "against_plan_usd": Format("Against plan", "$", 0, is_signed=True),
        "objective_usd": Format("Day's cost", "$", 0),
        "usd_per_finished_cwt": Format("Per finished cwt", "$", 2),
        "next_cwt_of": Format("Product"),
        **{name: Format(f"{share:.0%}", "", 2) for name, share in QUANTILES.items()},
    }
)

SUMMARY = ("objective_usd", "usd_per_finished_cwt", "finished_lb", "short_lb")
_TOTALS = {
    "objective_usd": "Day's cost, $",
    "usd_per_finished_cwt": "Per finished cwt, $",
    "finished_lb": "Finished, lb",
    "short_lb": "Short, lb",
}
TAKEN, NEXT_CWT = "taken_lb ", "next_cwt_usd "
"""Beginnings of the names of columns by lot and by product."""


@dataclass(frozen=True)
class ScenarioJob:
    """All that a worker needs: the case, the changes and how many draws."""

    case: Case
    rows: tuple[ScenarioRow, ...]
    draws: int = 0
    seed: int = 0
    offers: tuple[ForeignOffer, ...] = ()
    rates: tuple[ImportRate, ...] = ()
    past: PastWeeks | None = None
    """The weeks that rows of history move by."""
    weeks_ahead: int = 1
    joint: Joint = Joint.BOOTSTRAP
    correlations: tuple[tuple[str, str, float], ...] = ()
    """Of pairs of drawn rows, in the place of what the rows themselves say."""

    @cached_property
    def drawn_rows(self) -> tuple[ScenarioRow, ...]:
        return tuple(row for row in self.rows if row.distribution is not Distribution.FIXED)

    @cached_property
    def given(self) -> dict[frozenset[str], float]:
        return {frozenset((one, other)): value for one, other, value in self.correlations}

    @cached_property
    def _series(self) -> tuple[int, ...]:
        """Of each drawn row, the series of `past` that it follows; -1 for none."""
        names = () if self.past is None else self.past.names
        return tuple(names.index(row.follows) if row.follows else -1 for row in self.drawn_rows)

    @cached_property
    def _weekly(self) -> tuple[np.ndarray, np.ndarray]:
        """Standard deviations of the logarithms of past weeks' moves, and their correlations."""
        if self.past is None:
            return np.zeros(0), np.zeros((0, 0))
        if self.joint is Joint.COVARIANCE:
            return fitted_moves(self.past.array)
        logs = np.log1p(self.past.array)
        return logs.std(0), correlation(np.cov(logs.T))

    @cached_property
    def _mixing(self) -> tuple[np.ndarray, np.ndarray, float]:
        """What makes of independent normal numbers those behind the rows, their correlations, and
        how far these had to move from the ones given.

        Past weeks drawn whole bring their own correlations.
        """
        rows, series = self.drawn_rows, self._series
        at = {row.row_id: place for place, row in enumerate(rows)}
        mixing = np.eye(len(rows))
        for place, row in enumerate(rows):
            if row.correlated_with:
                shared = row.correlation or 0.0
                mixing[place] *= (1 - shared**2) ** 0.5
                mixing[place] += shared * mixing[at[row.correlated_with]]
        wanted = mixing @ mixing.T
        follows = [place for place, each in enumerate(series) if each >= 0]
        of = [series[place] for place in follows]
        fitted = self._weekly[1][np.ix_(of, of)]
        is_whole = self.joint is Joint.BOOTSTRAP
        if not is_whole:
            wanted[np.ix_(follows, follows)] = fitted
        if self.given:
            wanted = with_given(wanted, tuple(at), self.given, "row_id of a drawn row")
        behind = np.eye(len(rows))
        if is_whole:
            behind[np.ix_(follows, follows)] = fitted
        if not self.given and (is_whole or not follows):
            return mixing, mixing @ behind @ mixing.T, 0.0
        used, moved = nearest_correlation(wanted)
        root = np.linalg.cholesky(used + _ROUNDING * np.eye(len(rows)))
        return root, root @ behind @ root.T, moved if self.given else 0.0

    def check_correlations(self) -> None:
        """Raises InputRefused for a correlation by hand of a row that past weeks move whole."""
        followers = {row.row_id for row in self.drawn_rows if row.follows}
        named = followers & {name for pair in self.given for name in pair}
        if named and self.joint is Joint.BOOTSTRAP:
            required = "a row without history, as past weeks drawn whole bring their own"
            hint = "Add --joint covariance to correlate it yourself."
            raise refusal("correlations", "one, other", sorted(named)[0], required, hint)

    @property
    def correlations_used(self) -> np.ndarray:
        return self._mixing[1]

    @property
    def repaired_by(self) -> float:
        return self._mixing[2]

    @cached_property
    def named(self) -> tuple[str, ...]:
        """Named scenarios, in the order in which the table first names them."""
        fixed = [row.scenario for row in self.rows if row.distribution is Distribution.FIXED]
        return tuple(dict.fromkeys(fixed))

    @cached_property
    def rows_of_lot(self) -> dict[str, frozenset[str]]:
        """By lot, the ids of the rows that change it."""
        return {
            lot.lot_id: frozenset(row.row_id for row in self.rows if row.means(lot))
            for lot in self.case.lots
        }

    def __len__(self) -> int:
        return 1 + len(self.named) + self.draws

    def name(self, index: int) -> str:
        if index == 0:
            return BASE
        if index <= len(self.named):
            return self.named[index - 1]
        return f"draw {index - len(self.named)}"

    def changes(self, index: int) -> tuple[Drawn, ...]:
        """What changes in one scenario; drawn from its own stream."""
        if index == 0:
            return ()
        if index <= len(self.named):
            name = self.named[index - 1]
            return tuple(
                Drawn(row, row.value)
                for row in self.rows
                if row.distribution is Distribution.FIXED and row.scenario == name
            )
        normals = (self._mixing[0] @ self.place(index)).tolist()
        weekly = self._weekly[0] * self.weeks_ahead**0.5
        return tuple(
            Drawn(row, row.drawn(normal) if at < 0 else replace(row, sd=weekly[at]).drawn(normal))
            for row, normal, at in zip(self.drawn_rows, normals, self._series, strict=True)
        )

    def place(self, index: int) -> np.ndarray:
        """Where a draw lies among the others: independent normal numbers from its own stream.

        Rows of history whose weeks are drawn whole have the logarithm of what the weeks multiply
        them by, in standard deviations.
        """
        own = np.random.default_rng([self.seed, index - len(self.named)])
        place = own.standard_normal(len(self.drawn_rows))
        if self.past is not None and self.joint is Joint.BOOTSTRAP:
            logs = np.log1p(self._changes)
            moved = logs[own.integers(0, len(logs), self.weeks_ahead)].sum(0)
            scale = self._weekly[0] * self.weeks_ahead**0.5
            moved = np.divide(moved, scale, out=np.zeros_like(moved), where=scale > 0)
            for row, at in enumerate(self._series):
                if at >= 0:
                    place[row] = moved[at]
        return place

    @cached_property
    def _changes(self) -> np.ndarray:
        assert self.past is not None
        return self.past.array

    def added_by_rates(self, changes: tuple[Drawn, ...]) -> dict[str, float]:
        """By lot, how far exchange rates move the landed price of its foreign offer, USD/lb."""
        moved = [drawn for drawn in changes if drawn.row.field is ScenarioField.RATE]
        added = {}
        for offer in self.offers:
            rate = offer.usd_per_currency
            for drawn in moved:
                if drawn.row.currency == offer.currency:
                    rate = drawn.row.change.of(rate, drawn.value)
            if offer.lot_id and rate != offer.usd_per_currency:
                there = landed_usd_per_lb(at_rate(offer, rate), self.rates)
                added[offer.lot_id] = there - landed_usd_per_lb(offer, self.rates)
        return added


@dataclass(frozen=True)
class ScenarioResults(Answer):
    """Each scenario planned again: as planned, the named ones, the draws.

    `values` has one row for each scenario solved and one column for each of `columns`, NaN where
    there is no plan. Scenarios not reached, after Ctrl-C, are left out. Tables: `scenarios` (every
    one), `named`, and of the draws `totals`, `products` (cost of the next cwt), `lots` and `draws`
    (what was drawn); `correlations` between the rows.
    All of the LP relaxation, and planned again in every scenario: not profit and loss of a
    position held.
    """

    job: ScenarioJob
    columns: tuple[str, ...]
    outcomes: tuple[Outcome, ...]
    values: np.ndarray

    @property
    def is_complete(self) -> bool:
        return len(self.outcomes) == len(self.job)

    def column(self, name: str) -> np.ndarray:
        return self.values[:, self.columns.index(name)]

    def drawn(self, name: str) -> np.ndarray:
        """The values of a column in the draws that have a plan."""
        values = self.column(name)[1 + len(self.job.named) :]
        return values[~np.isnan(values)]

    @property
    def draws_done(self) -> int:
        return max(0, len(self.outcomes) - 1 - len(self.job.named))

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        numbers = np.where(np.isfinite(self.values), self.values, np.nan)
        every = DataFrame(numbers, columns=list(self.columns))
        every.insert(0, "scenario", [self.job.name(each) for each in range(len(every))])
        every.insert(1, "outcome", [outcome.value for outcome in self.outcomes])
        named = every.head(1 + len(self.job.named))[["scenario", "outcome", *SUMMARY]].copy()
        change = named["objective_usd"] - named["objective_usd"].iloc[:1].sum(min_count=1)
        named = named.rename(
            columns={"finished_lb": "scenario_finished_lb", "short_lb": "scenario_short_lb"}
        )
        named.insert(3, "against_plan_usd", change.where(named.index > 0))
        tables = {"scenarios": every, "named": named}
        if len(self.job.drawn_rows) > 1:
            names = [row.row_id for row in self.job.drawn_rows]
            used = correlation_rows(names, self.job.correlations_used, self.job.given)
            tables["correlations"] = DataFrame(used)
        if self.job.draws:
            lots = [each for each in self.columns if each.startswith(TAKEN)]
            products = [each for each in self.columns if each.startswith(NEXT_CWT)]
            tables |= {
                "totals": DataFrame(
                    [{"total": _TOTALS[name]} | self._quantiles(name) for name in SUMMARY]
                ),
                "products": DataFrame([self._product(name) for name in products]),
                "lots": DataFrame([self._lot(name) for name in lots]).sort_values(
                    ["used_in_draws_percent", "lot_id"], ascending=[False, True]
                ),
                "draws": DataFrame(list(self._drawn_values())),
            }
        return tables

    def _drawn_values(self) -> Iterator[dict[str, Any]]:
        """Of each draw, the value of each row: a factor, or $/cwt of a price, lb or a rate."""
        first = 1 + len(self.job.named)
        for index in range(first, first + self.draws_done):
            row: dict[str, Any] = {"scenario": self.job.name(index)}
            for drawn in self.job.changes(index):
                is_price = drawn.row.field is ScenarioField.PRICE
                in_cwt = is_price and drawn.row.change is not Change.MULTIPLY
                row[drawn.row.row_id] = drawn.value * (LB_PER_CWT if in_cwt else 1)
            yield row

    def _quantiles(self, name: str) -> dict[str, Any]:
        """Of the draws; "no plan" where more cannot be made in that share of them."""
        values = self.drawn(name)
        if not len(values):
            return dict.fromkeys(QUANTILES)
        # between a number and "no plan" there is nothing to interpolate
        how: Literal["linear", "inverted_cdf"] = "inverted_cdf"
        if np.isfinite(values).all():
            how = "linear"
        found = np.quantile(values, list(QUANTILES.values()), method=how)
        cells = ("no plan" if np.isinf(each) else float(each) for each in found)
        return dict(zip(QUANTILES, cells, strict=True))

    def _product(self, name: str) -> dict[str, Any]:
        product = self.job.case.product(name.removeprefix(NEXT_CWT))
        return {"next_cwt_of": product.name} | self._quantiles(name)

    def _lot(self, name: str) -> dict[str, Any]:
        lot, used = self.job.case.lot(name.removeprefix(TAKEN)), self.drawn(name)
        often = 100 * float((used > _USED_LB).mean()) if len(used) else 0.0
        cells = {"lot_id": lot.lot_id, "item": lot.item, "used_in_draws_percent": often}
        return cells | self._quantiles(name)

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "scenarios_planned": len(self.outcomes),
            "scenarios_asked": len(self.job),
            "draws": self.draws_done,
            "draws_without_a_plan": self.draws_done - len(self.drawn("objective_usd")),
            "seed": self.job.seed,
            "is_lp_relaxation": True,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        every = "all" in sections
        named = self.tables["named"].copy()
        parts = [wrapped(self._answer())]
        columns = [
            "scenario",
            "objective_usd",
            "against_plan_usd",
            "scenario_finished_lb",
            "scenario_short_lb",
        ]
        if (named["outcome"] != Outcome.OPTIMAL.value).any():
            columns.append("outcome")
        parts.append(table(named, columns))
        if self.job.draws:
            title = f"{counted(self.draws_done, 'draw')}, seed {self.job.seed}"
            parts.append(table(self.tables["totals"], title=title, note=self._left_out()))
        if self.job.draws and (every or "products" in sections):
            parts.append(table(self.tables["products"], title="Cost of the next cwt, $"))
        if self.job.draws and (every or "lots" in sections):
            lots = self.tables["lots"]
            used = lots[lots["used_in_draws_percent"] > 0]
            never = counted(len(lots) - len(used), "lot")
            note = f"{never} never used. Where plans tie, one is shown."
            parts.append(table(used, title="Pounds used by lot", note=note))
        if self.job.draws and "correlations" in self.tables:
            if every or "correlations-used" in sections:
                parts.append(correlations_text(self.tables["correlations"]))
            parts += filter(None, [watch(repair_words(self.job.repaired_by))])
        parts.append(wrapped(BASIS))
        if self.job.past is not None and self.job.draws:
            parts.append(wrapped(self._history_words()))
        if not sections and self.job.draws:
            parts.append(
                wrapped("More: --products, --lots, --correlations-used. Chart: --chart FILE")
            )
        return "\n".join(parts)

    def _answer(self) -> str:
        cost = self.column("objective_usd")
        if not len(cost) or np.isnan(cost[0]):
            return "There is no plan as the sheet is."
        words = f"As planned, the day costs {money(cost[0])}."
        draws = self.drawn("objective_usd")
        if len(draws):
            low, high = np.quantile(draws, [0.05, 0.95])
            words += f" In 9 of 10 draws it costs {money(low)} to {money(high)}."
        return words

    def _history_words(self) -> str:
        past, weeks = self.job.past, counted(self.job.weeks_ahead, "week")
        assert past is not None
        how = {
            Joint.BOOTSTRAP: "past weeks drawn whole",
            Joint.COVARIANCE: "lognormal moves, robust covariance of past weeks",
        }[self.job.joint]
        return (
            f"History: {', '.join(past.names)} over {weeks} ahead, from "
            f"{counted(len(past.ends), 'past week')} to {day(past.ends[-1])}; {how}."
        )

    def _left_out(self) -> str:
        planned, words = len(self.drawn("objective_usd")), []
        if self.draws_done > planned:
            none = self.draws_done - planned
            words.append(f"{counted(none, 'draw')} without a plan left out.")
        if not self.is_complete:
            words.append(f"Stopped after {len(self.outcomes):,} of {len(self.job):,} scenarios.")
        return " ".join(words)

    def chart(self) -> Spec:
        draws = self.drawn("objective_usd")
        if not len(draws):
            raise refusal("scenarios", "draws", "nothing", "at least one draw that has a plan")
        counts, edges = np.histogram(draws, bins=min(60, max(10, len(draws) // 5)))
        bars = [
            {"low": float(low), "high": float(high), "draws": int(count)}
            for low, high, count in zip(edges[:-1], edges[1:], counts, strict=True)
        ]
        named = self.tables["named"].dropna(subset=["objective_usd"])
        points = [
            {"cost": usd, "name": f"{scenario} {money(usd)}"}
            for scenario, usd in zip(named["scenario"], named["objective_usd"], strict=True)
        ]
        marks = [
            {"cost": float(np.quantile(draws, share)), "name": label}
            for share, label in ((0.05, "5%"), (0.5, "median"), (0.95, "95%"))
        ]
        low, cost = (
            amount(field, "day's cost, $", scale={"zero": False}) for field in ("low", "cost")
        )
        count, dashes = amount("draws", "draws"), {"type": "rule", "strokeDash": [5, 3]}
        label = {"type": "text", "align": "center", "y": -8}
        dot = {"type": "point", "filled": True, "color": ORANGE, "size": 70}
        histogram: Spec = {
            "width": 640,
            "height": 240,
            "layer": [
                layer("bar", "bars", x=low, x2={"field": "high"}, y=count, y2={"datum": 0}),
                layer(dashes | {"color": ORANGE}, "marks", x=cost),
                layer(label, "marks", x=cost, text=name("name")),
            ],
        }
        scenario = name("name", axis={"labelLimit": 240})
        scenarios = {"width": 640, "height": {"step": 20}} | layer(dot, "named", x=cost, y=scenario)
        return chart(
            "What the day may cost",
            {"bars": bars, "named": points, "marks": marks},
            {"vconcat": [histogram, scenarios], "resolve": {"scale": {"x": "shared"}}},
            subtitle=f"Plan of {day(self.job.case.settings.plan_on)};"
            f" {counted(len(draws), 'draw')} with a plan, seed {self.job.seed}; as if combos and"
            " batches could be split.",
            description=self._answer(),
        )


def weeks_followed(
    rows: Iterable[ScenarioRow],
    read: Callable[[], tuple[Sequence[Quotation], Sequence[BookRate]]],
) -> PastWeeks | None:
    """The past weeks of what rows of history follow, of the quotations and rates that `read`
    gives; None where they follow nothing. Raises as `past_weeks` does."""
    followed = tuple(dict.fromkeys(row.follows for row in rows if row.follows))
    if not followed:
        return None
    quotations, rates = read()
    last = max(each.quoted_on for each in quotations)
    return past_weeks(quotations, rates, followed, last, MIN_WEEKS)


def run_scenarios(
    job: ScenarioJob,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    stopped: Callable[[], bool] | None = None,
    keep: Keep | None = None,
) -> ScenarioResults:
    """Solve every scenario of a job: the case as it is, the named ones, the draws.

    Whom the work is done by, and the rest, is as `Work` says. Ctrl-C, or `stopped()`, ends it and
    gives the scenarios done so far.

    Raises BlendError where Dask is asked for and missing, InputRefused where a rate is to move
    a foreign offer without one of its duties.
    """
    if any(row.field is ScenarioField.RATE for row in job.rows):
        # a missing rate is refused here, not in a worker
        lacking = missing_rates([each for each in job.offers if each.lot_id], job.rates)
        if lacking:
            raise InputRefused(lacking)
    job.check_correlations()
    packed = _packed(job)
    columns = _columns(WarmCase(job.case), job.case)  # pilots are the workers' own
    work = Work(workers, scheduler, progress, stopped, keep)
    return ScenarioResults(job, columns, *work.run(run_chunk, job, packed, len(job), columns))


# A chunk of work ------------------------------------------------------------------------------


def _packed(job: ScenarioJob) -> bytes:
    return pickle.dumps(job, protocol=5)


@lru_cache(maxsize=1)
def _job(packed: bytes) -> ScenarioJob:
    return pickle.loads(packed)


@dataclass(frozen=True)
class _Warm:
    """The case of a job, warm, and the pilot draws that other draws begin from."""

    case: WarmCase
    places: np.ndarray
    starts: tuple[Start, ...]

    def nearest(self, job: ScenarioJob, index: int) -> Start | None:
        """The start of the nearest pilot; None, the case's own, for what is not drawn."""
        if index <= len(job.named) or not self.starts:
            return None
        return self.starts[int(((self.places - job.place(index)) ** 2).sum(1).argmin())]


@lru_cache(maxsize=1)
def _warm_case(packed: bytes) -> _Warm:
    """The case of a job, kept warm in its process until another job comes."""
    job = _job(packed)
    warm, first = WarmCase(job.case), 1 + len(job.named)
    pilots = range(first, first + min(_MAX_PILOTS, job.draws // 20))
    starts = tuple(warm.start_of(*_numbers(job, index)) for index in pilots)
    return _Warm(warm, np.array([job.place(index) for index in pilots]), starts)


def run_chunk(packed: bytes, start: int, stop: int) -> tuple[list[Outcome], np.ndarray]:
    """Solve the scenarios `start` to `stop` of a packed job; what workers are handed."""
    job, warm = _job(packed), _warm_case(packed)
    solved = [_solve(job, warm, index) for index in range(start, stop)]
    return [outcome for outcome, _ in solved], np.array([numbers for _, numbers in solved])


def _numbers(
    job: ScenarioJob, index: int
) -> tuple[dict[str, Lot], dict[str, tuple[float, float | None]]]:
    """Lots and orders as a scenario changes them."""
    changes = job.changes(index)
    added = job.added_by_rates(changes)
    lots = {}
    for lot in job.case.lots:
        rows = job.rows_of_lot[lot.lot_id]
        own = tuple(drawn for drawn in changes if drawn.row.row_id in rows)
        if own or lot.lot_id in added:
            lots[lot.lot_id] = changed_lot(lot, own, added.get(lot.lot_id, 0.0))
    orders = {}
    for product in job.case.products:
        as_it_is = product.min_lb, product.max_lb
        changed_to = changed_order(*as_it_is, product.product_id, changes)
        if changed_to != as_it_is:
            orders[product.product_id] = changed_to
    return lots, orders


def _solve(job: ScenarioJob, warm: _Warm, index: int) -> tuple[Outcome, np.ndarray]:
    answer = warm.case.solve(*_numbers(job, index), warm.nearest(job, index))
    made_lb = answer.finished_lb
    per_cwt = answer.objective_usd / made_lb * LB_PER_CWT if made_lb > _MIN_LB else np.nan
    summary = (answer.objective_usd, per_cwt, made_lb, answer.short_lb)
    return answer.outcome, np.concatenate((summary, answer.taken_lb, answer.next_cwt_usd))


def _columns(warm: WarmCase, case: Case) -> tuple[str, ...]:
    taken = (f"{TAKEN}{lot_id}" for lot_id in warm.lot_ids)
    return (*SUMMARY, *taken, *(f"{NEXT_CWT}{p.product_id}" for p in case.products))
