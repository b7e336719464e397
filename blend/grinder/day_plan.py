"""Today's plan as an answer: the first screen, its sections, its tables and its chart."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.plan import Check, Plan, Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers
from blend.domain.stock import next_grind_day
from blend.domain.uncertainty import ASSUMES_INDEPENDENT, SHARED_BY_SUPPLIER
from blend.errors import Caution, and_more, warning_lines
from blend.grinder import plan_frames as frames
from blend.grinder.odds import (
    ASSUMPTION,
    ConfidenceCost,
    Errors,
    FloorOdds,
    cost_of_confidence,
    floor_odds,
)
from blend.grinder.temperature import MAX_IN_GRINDING_F, BatchTemperature, temperature_frame
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import (
    cents,
    counted,
    day,
    long_day,
    money,
    number,
    percent,
    pounds,
    printable,
    value,
)
from blend.output.frames import DataFrame
from blend.output.gap import gap_words, short_tenths
from blend.phrases import (
    CONSTRAINT_CLASS_WORDS,
    VERDICT_WORDS,
    meat_words,
    product_name,
    requirement_words,
    rule_of,
)
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.grinder.rest_of_day import RestOfDay
    from blend.grinder.safe import ConfidentPlan
    from blend.grinder.whole_break_even import WholeBreakEven
    from blend.model.pulp_model import Added

SPLIT = "as if combos and batches could be split"
_LINES, _WIDTH, _FEWEST_LINES = 40, 80, 4
_MAX_PULLED, _MAX_WATCH, _SOON_DAYS = 4, 5, 7
_CELL = 39
"""Two lots to buy side by side fit 80 columns."""
_SURE_ODDS, _USUAL_CONFIDENCE = 0.75, 0.95
_SHORT_SHARE = 0.005
"""Of a product: orders short by more get a column on the first screen."""
_NAMED_SHORT_LB = 0.5
"""Planned shortages from here up are named."""
_CENT_ROUNDS_UP_FROM = 0.005
SECTIONS = (
    "make",
    "buy",
    "recipes",
    "money",
    "break-even",
    "limits",
    "checks",
    "margins",
    "certificate",
)
CAUTIONS = (
    "Fat and nutrition claims: test the finished product first. The plan uses lean as stated or"
    " estimated for each lot, and lots and tests vary.",
    "Species, origin and label claims: check the papers of the lots you actually grind.",
    "Temperature: meat at or below 40 °F (4 °C). A thermometer in the meat and the plant's HACCP"
    " plan decide.",
    "Standards here are dated readings. The current text and the inspector decide.",
)


@dataclass(frozen=True)
class Block:
    """A table with its title and note; `columns` picks those that are shown."""

    title: str
    frame: DataFrame
    columns: Sequence[str] | None = None
    note: str = ""

    def text(self) -> str:
        """For the terminal; empty where there is no row."""
        if not len(self.frame):
            return ""
        return screen.table(self.frame, self.columns, title=self.title, note=self.note, wraps=True)


@dataclass(frozen=True)
class DayPlan(Answer):
    """Today's plan. `purchases`, `recipes`, `products`, `limits` and `lots` are DataFrames; what
    each holds is said at `blend.grinder.plan_frames`."""

    case: Case
    plan: Plan
    errors: Errors
    source: str = "FOLDER"
    """The folder or workbook that was read, as the user typed it."""
    cautions: Sequence[Caution] = ()
    confident: ConfidentPlan | None = None
    notes: Sequence[str] = ()
    """Lines for the certificate, such as what a second solver found."""
    temperatures: Sequence[BatchTemperature] = ()
    max_temp_f: float | None = None
    is_lean_estimated: bool = False
    rest: RestOfDay | None = None
    """What was done before, where this is the plan of the rest of the day."""
    has_unused_tests: bool = False
    whole_break_evens: Sequence[WholeBreakEven] = ()
    saved: Path | None = None
    saved_work_order: Path | None = None

    @cached_property
    def odds(self) -> tuple[FloorOdds, ...]:
        return floor_odds(self.case, self.plan.runs, self.errors)

    @cached_property
    def confidence_cost(self) -> ConfidenceCost | None:
        """What holding the floors would cost, where the plan does not."""
        return cost_of_confidence(self.case, self.errors, self.odds)

    @cached_property
    def purchases(self) -> DataFrame:
        return frames.purchases(self.case, self.plan)

    @cached_property
    def recipes(self) -> DataFrame:
        return frames.recipes(self.case, self.plan)

    @cached_property
    def products(self) -> DataFrame:
        return frames.products(self.case, self.plan, self.odds)

    @cached_property
    def limits(self) -> DataFrame:
        return frames.limits(self.case, self.plan)

    @cached_property
    def lots(self) -> DataFrame:
        return frames.lots(self.case, self.plan)

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        case, plan = self.case, self.plan
        tables = {
            "products": self.products,
            "purchases": self.purchases,
            "recipes": self.recipes,
            "money": frames.money(plan),
            "stock": frames.stock(case, plan),
            "lots": self.lots,
            "marginal_costs": frames.marginal_costs(case, plan),
            "limits": self.limits,
            "standards": frames.standards(case, plan),
            "labels": frames.labels(case, plan),
            "not_available": frames.not_available(case),
            "certificate": frames.certificate(plan),
        }
        if self.whole_break_evens:
            tables["whole_break_evens"] = frames.whole_lots(case, self.whole_break_evens)
        if self._safe is not None:
            tables["margins"] = self._margins()
            tables["tests"] = self._tests()
        if self.temperatures:
            tables["temperatures"] = temperature_frame(case, self.temperatures)
        return tables

    @property
    def figures(self) -> Mapping[str, Any]:
        money_, bound = self.plan.money, self.plan.certificate.bound
        figures = {
            "plan_on": self.case.settings.plan_on,
            "total_usd": money_.total_usd,
            "total_with_stock_at_books_usd": money_.books_total_usd,
            "stock_if_kept_usd": money_.stock_usd,
            "stock_books_usd": money_.stock_books_usd,
            "sales_usd": money_.sales_usd,
            "finished_lb": money_.finished_lb,
            "meat_usd_per_finished_lb": money_.usd_per_finished_lb,
            "floor_usd": bound.bound_usd,
            "gap_usd": bound.gap_usd,
            "is_floor_certified": bound.is_certified,
            "stopped_early": self.plan.stopped_early,
        }
        if self._safe is not None:
            figures["confidence_costs_usd"] = self._safe.safety_usd
            figures["floor_at_these_confidences_usd"] = self._safe.floor_usd
        return figures

    @property
    def _safe(self) -> Any:
        return None if self.confident is None else self.confident.safe

    # First screen

    def screen(self, sections: Collection[str] = ()) -> str:
        asked = [each for each in SECTIONS if each in sections or "all" in sections]
        blocks = [block for name in asked for block in self.blocks(name)]
        shown = [self._first_screen(), *(block.text() for block in blocks)]
        shown.append("\n".join(self.notes).strip())
        if "checks" in asked:
            shown += [_bullets("From your tables", [str(each) for each in self.cautions])]
            shown += [_bullets("Cautions", CAUTIONS)]
        if (missing := self._why_no_prices()) and {"break-even", "limits"} & set(asked):
            shown.append(missing)
        return "\n\n".join(filter(None, shown))

    def _why_no_prices(self) -> str:
        if self.plan.break_evens:
            return ""
        if self.plan.pricing_stopped:
            return self._pricing_stopped().strip()
        if self.confident is not None:
            return "Break-evens are for the plan without a confidence: leave out --confidence."
        return "Break-evens were left out (--no-break-even)."

    def _first_screen(self) -> str:
        """Everything to act on in 40 lines of 80; long lists are cut and say where the rest is."""
        head, watch, more = self._head(), screen.watch(self.watch), self._more()
        if self.temperatures:
            warmth = "".join(block.text() for block in self.blocks("temps"))
            return "\n".join([head, warmth, watch, more])
        pull, expires = self._pull(), self._expires_unused()
        lines = max(_LINES, _LINES * _WIDTH // screen.width())
        room = lines - sum(len(each.splitlines()) for each in (head, watch, more, pull, expires))
        bought = [_bought(row) for row in self._taken("BUY").itertuples()]
        made = len(self.products)
        buy_lines = min(_lines_needed(bought), max(_FEWEST_LINES, room - made - 3))
        make_lines = min(made, max(_FEWEST_LINES, room - buy_lines - 3))
        buy = self._buy(bought, buy_lines)
        blocks = [head, self._make(make_lines), pull, expires, buy, watch, more]
        return "\n".join(filter(None, blocks))

    def _head(self) -> str:
        settings, plan = self.case.settings, self.plan
        plant, on = printable(settings.plant) or "Plan", long_day(settings.plan_on)
        gap = max(2, screen.width() - len(plant) - len(on))
        head = screen.strong(plant + " " * gap + on)
        lean = "Lean as estimated from tests." if self.is_lean_estimated else ""
        done = "" if self.rest is None else self.rest.head
        sentences = (done, self.made_words, self.cost_words, order_words(self.case, plan), lean)
        return "\n".join([head, *map(screen.wrapped, filter(None, sentences))])

    @property
    def made_words(self) -> str:
        """How much is made, in how many batches, at what meat cost."""
        cost = self.plan.money.usd_per_finished_lb
        if cost is None:
            return "Nothing is made."
        batches = counted(sum(run.batches for run in self.plan.runs), "batch", "batches")
        made = counted(len({run.product_id for run in self.plan.runs}), "product")
        finished = number(self.plan.money.finished_lb, max_decimals=0)
        per_cwt = cents(cost * LB_PER_CWT)
        return f"{made}, {batches}, {finished} lb finished. Meat {per_cwt}/cwt finished."

    @property
    def cost_words(self) -> str:
        """The day's cost, and by how much at most a plan can be cheaper."""
        plan, bound, safe = self.plan, self.plan.certificate.bound, self._safe
        gap = gap_words(
            bound.printed_usd,
            bound.bound_usd if safe is None else safe.floor_usd,
            is_certified=bound.is_certified if safe is None else safe.is_floor_certified,
            is_short_by_rounding=plan.is_short_by_rounding,
            plans="plan" if safe is None else "plan at these odds",
        )
        sales = f" after {money(plan.money.sales_usd)} of sales" if plan.money.sales_usd else ""
        stopped = " The search was stopped early: best plan so far." if plan.stopped_early else ""
        more = "" if safe is None else f" Holding these odds costs {money(safe.safety_usd)}."
        cost = f"Day's cost {money(bound.printed_usd)}{sales}{self._stock_words}."
        return f"{cost}{more} {gap}{stopped}"

    @property
    def _stock_words(self) -> str:
        """How stock is counted, where any is pulled."""
        money_ = self.plan.money
        if money_.stock_books_usd == money_.stock_usd:
            return ""
        return (
            f", stock at what it is worth if kept ({money(money_.books_total_usd)} with stock at"
            " cost)"
        )

    def _make(self, lines: int) -> str:
        frame = self.products
        if self.rest is not None:  # without those that are done
            frame = frame[(frame["finished_lb"] > 0) | (frame["short_of_order_lb"] > 0)]
        ranges = zip(
            frame["min_lean_percent"],
            frame["target_lean_percent"],
            frame["max_lean_percent"],
            strict=True,
        )
        shown = frame.assign(
            spec=[f"{low:.1f} {target:.1f} {high:.1f}" for low, target, high in ranges]
        )
        shown = shown.rename(columns={"product": "make", "batches": "batch_count"})
        columns = ["make", "batch_count", "finished_lb", "lean_percent"]
        columns += ["spec", "meat_usd_per_cwt"] if screen.width() >= _WIDTH else []
        columns += ["floor_odds_percent"]
        if (frame["short_of_order_lb"] > _SHORT_SHARE * frame["finished_lb"]).any():
            columns[1:3] = ["finished_lb", "short_of_order_lb"]  # in place of batches, for room
        cut = len(shown) - lines
        if cut <= 0:
            return screen.table(shown, columns)
        shown = shown.nlargest(lines - 1, "finished_lb").sort_index()
        return screen.table(shown, columns, note=f"and {counted(cut + 1, 'more product')}: --make")

    def _taken(self, action: str) -> DataFrame:
        return self.purchases[self.purchases["action"] == action]

    def _pull(self) -> str:
        pulled = [self._pulled(row) for row in self._taken("PULL").itertuples()]
        if len(pulled) > _MAX_PULLED:
            others = counted(len(pulled) - _MAX_PULLED, "more lot")
            pulled = [*pulled[:_MAX_PULLED], f"and {others}: --buy"]
        return screen.wrapped(f"PULL   {'; '.join(pulled)}", "       ") if pulled else ""

    def _buy(self, bought: list[str], lines: int) -> str:
        if not bought:
            return ""
        cost = money(self._taken("BUY")["purchase_usd"].sum())
        head = f"BUY    {counted(len(bought), 'lot')}, {cost} delivered ($/cwt)"
        return "\n".join([head, *_side_by_side(bought, lines)])

    def _pulled(self, row: Any) -> str:
        amount = row.containers or f"{row.taken_lb:,.0f} lb"
        today = self.case.settings.plan_on
        if not isinstance(row.use_by, date) or (row.use_by - today).days > _SOON_DAYS:
            return f"{row.lot_id} {row.item}, {amount}"
        on = "today" if row.use_by == today else day(row.use_by)
        return f"{row.lot_id} {row.item}, {amount} (use by {on})"

    @property
    def watch(self) -> list[str]:
        """What the reader should act on, the most pressing first."""
        done = [] if self.rest is None else self.rest.watch()
        lines = [*self._confidence_lowered(), *done, *self._odds_lines(), *self._over_limit_lines()]
        lines += [*self._warm_batches(), *self._split_lines()]
        lines += warning_lines(self.cautions)
        if len(lines) > _MAX_WATCH - 1:
            others = len(lines) - (_MAX_WATCH - 2)
            lines = [
                *lines[: _MAX_WATCH - 2],
                f"{others} more: --checks, blend check {self.source}",
            ]
        return [*lines, *self._standards_line()]

    def _split_lines(self) -> list[str]:
        """That the plan opens combos or boxes and leaves the rest."""
        if self.case.settings.whole_containers is not WholeContainers.NO:
            return []
        split = [
            take.lot_id
            for take in self.plan.takes
            if (container_lb := self.case.lot(take.lot_id).container_lb)
            and abs(take.pounds_lb / container_lb - round(take.pounds_lb / container_lb)) > 1e-6
        ]
        if not split:
            return []
        return [f"Part combos or boxes of {and_more(split)}. For whole ones: --containers taken"]

    def _odds_lines(self) -> list[str]:
        if self._safe is not None:
            own = "; lots of one supplier may not" * (self.errors.words == ASSUMES_INDEPENDENT)
            return [f"Every confidence {self.errors.words}{own}."]
        worst = {each.product_id for each in self.odds if each.odds < _SURE_ODDS}
        if not worst:
            return []
        all_made = {run.product_id for run in self.plan.runs}
        low, made = len(worst), counted(len(all_made), "product")
        if worst == all_made:
            which = f"All {made} sit" if low > 1 else "The product sits"
        else:
            which = f"{low} of {made} {'sit' if low > 1 else 'sits'}"
        lean = "estimated" if self.is_lean_estimated else "stated"
        lowest = min(each.odds for each in self.odds)
        tests = "; to use your lean tests: --lean estimated" if self.has_unused_tests else ""
        return [
            f"{which} near the lean floor: about "
            f"{percent(1 - lowest, max_decimals=0)} of batches test under spec on {lean} lean "
            f"({self.errors.words}{self._assumed()}). {self._to_hold}{tests}"
        ]

    @property
    def _to_hold(self) -> str:
        """What holding the floors would cost, and how."""
        cost = self.confidence_cost
        if cost is None:
            return "To hold it more often: --confidence 75"
        held = f"{100 * cost.confidence:.0f}"
        is_less = cost.confidence < _USUAL_CONFIDENCE
        none = "A quick estimate finds no plan at 95%; " if is_less else ""
        return (
            f"{none}{held}% would cost about {money(cost.usd)} as if combos could be split:"
            f" --confidence {held}"
        )

    def _assumed(self) -> str:
        count = len(self.errors.assumed_lots)
        if not count:
            return ""
        which = "" if count == len(self.case.usable_lots()) else f" for {counted(count, 'lot')}"
        return f"; error {ASSUMPTION}{which}"

    def _confidence_lowered(self) -> list[str]:
        if self.confident is None:
            return []
        if self.confident.safe is None:
            return ["No plan found at any confidence: this plan holds spec on average only."]
        return [
            f"{self.case.product(product_id).name}: {percent(asked)} not reached; planned at "
            f"{percent(held)}, the highest found. Widen the tolerance or test the lots."
            for product_id, (asked, held) in self.confident.lowered.items()
        ]

    def _over_limit_lines(self) -> list[str]:
        over: dict[str, list[Check]] = {}
        for check in self.plan.certificate.checks:
            if check.verdict is Verdict.WARNING:
                over.setdefault(check.requirement.rule_id.split(" on ")[0], []).append(check)
        return [self._over_limit(checks) for checks in over.values()]

    def _over_limit(self, checks: Sequence[Check]) -> str:
        first = checks[0].requirement
        where = ", ".join(
            f"{_tenths(check)} in {product_name(check.requirement, self.case)}" for check in checks
        )
        section = f" ({checks[0].section})" if checks[0].section else ""
        if checks[0].maximum is None or first.constraint_class is not ConstraintClass.SHARE_MAX:
            return f"{requirement_words(first, self.case)}: {where}. Fix it or clear the label."
        meat = meat_words(rule_of(first, self.case).lots)
        limit = value(checks[0].maximum, checks[0].unit).replace(".0%", "%")
        return f"{meat.capitalize()} {where} (over {limit}): declare it or fix it{section}."

    def _expires_unused(self) -> str:
        """What the plan leaves to spoil before the next day of grinding."""
        expired = frames.expires_unused_lb(self.case, self.plan)
        if not expired:
            return ""
        lots = {lot_id: self.case.lot(lot_id) for lot_id in expired}
        named = [
            f"{lot_id} {printable(lots[lot_id].item)}, {number(lb, max_decimals=0)} lb"
            for lot_id, lb in expired.items()
        ]
        if len(named) > _MAX_PULLED:
            others = counted(len(named) - _MAX_PULLED, "more lot")
            named = [*named[:_MAX_PULLED], f"and {others}: --money"]
        cost = money(sum(lb * lots[lot_id].cost_usd_per_lb for lot_id, lb in expired.items()))
        return screen.wrapped(f"EXPIRES UNUSED  {'; '.join(named)} ({cost} at cost)", "       ")

    def _warm_batches(self) -> list[str]:
        warm = [each for each in self.temperatures if each.mix_f and each.mix_f > MAX_IN_GRINDING_F]
        names = dict.fromkeys(self.case.product(each.run.product_id).name for each in warm)
        if not names:
            return []
        return [f"Over {MAX_IN_GRINDING_F:g} °F, chill before grinding: {', '.join(names)}"]

    def _standards_line(self) -> list[str]:
        points = sum(check.verdict is Verdict.NOTE for check in self.plan.certificate.checks)
        unchecked = frames.unchecked_standards(self.case)
        parts = []
        if points:
            parts.append(f"{counted(points, 'label point')} to check by hand (--checks)")
        if unchecked:
            parts.append(
                f"{counted(unchecked, 'label standard')} not yet checked against the CFR: "
                "blend guide standards"
            )
        return ["; ".join(parts)] if parts else []

    def _more(self) -> str:
        saved = f"Saved {self.saved}: purchase list and a batch sheet per product.\n"
        if self.saved_work_order:
            saved_order = f"Saved {self.saved_work_order}: work order for the floor.\n"
        else:
            saved_order = ""
        more = "More: " + " ".join(f"--{name}" for name in SECTIONS if self._has(name))
        return (saved if self.saved else "") + saved_order + screen.wrapped(f"{more}, or --all")

    def _has(self, section: str) -> bool:
        has_prices = bool(self.plan.shadow_prices or self.plan.break_evens)
        needs = {"break-even": has_prices, "limits": has_prices, "margins": self._safe is not None}
        needs |= dict.fromkeys(("make", "buy"), bool(self.temperatures))  # a cut list names them
        return needs.get(section, True)

    # Sections

    def blocks(self, section: str) -> list[Block]:
        """The tables of a section, for the terminal, the workbook and the page alike."""
        return {
            "make": self._make_blocks,
            "buy": self._buy_blocks,
            "recipes": self._recipe_blocks,
            "money": self._money_blocks,
            "break-even": self._break_even_blocks,
            "limits": self._limit_blocks,
            "checks": self._check_blocks,
            "margins": self._margin_blocks,
            "certificate": self._certificate_blocks,
            "temps": self._temperature_blocks,
        }[section]()

    def _make_blocks(self) -> list[Block]:
        note = (
            "Meat at delivered prices. Odds: a batch tests at or above its lean floor;"
            f" {self.errors.words}{self._assumed()}."
        )
        columns = ["product", "finished_lb", "short_of_order_lb", "lean_percent"]
        columns += ["min_lean_percent", "target_lean_percent", "max_lean_percent"]
        columns += ["meat_usd_per_cwt", "floor_odds_percent"]
        return [Block("Make", self.products, columns, note)]

    def _buy_blocks(self) -> list[Block]:
        columns = ["action", "lot_id", "item", "containers", "taken_lb", "leftover_lb"]
        columns += ["delivered_usd_per_cwt", "purchase_usd"]
        return [Block("Pull and buy", self.purchases, columns)]

    def _recipe_blocks(self) -> list[Block]:
        columns = ["lot_id", "item", "lot_lean_percent", "weigh_lb", "run_lb", "of_batch_percent"]
        if (self.recipes["containers"] != "").any():
            columns.append("containers")
        blocks = []
        for recipe, run in frames.recipe_numbers(self.plan):
            own = (self.recipes["product_id"] == run.product_id) & (
                self.recipes["recipe"] == recipe
            )
            note = (
                f"As weighed, before losses. {counted(run.batches, 'batch', 'batches')} of"
                f" {number(run.finished_lb, max_decimals=1)} lb finished at"
                f" {100 * run.lean:.2f}% lean."
            )
            name = run_name(self.case, self.plan, run.product_id, recipe)
            blocks.append(Block(name, self.recipes[own], columns, note))
        return blocks

    def _money_blocks(self) -> list[Block]:
        parts = self.plan.money
        note = "The plan minimizes this total; negative is profit."
        if parts.stock_books_usd != parts.stock_usd:
            note += (
                f" Stock is paid for. With the stock pulled at what it cost,"
                f" {money(parts.stock_books_usd)}, the total is {money(parts.books_total_usd)}."
            )
        if (per_lb := parts.usd_per_finished_lb) is not None:
            note += (
                " Meat, freight and stock at cost, less leftovers:"
                f" ${per_lb:.4f}/lb, {cents(per_lb * LB_PER_CWT)}/cwt finished."
            )
        return [
            Block("Money", frames.money(self.plan), note=note),
            Block("Stock on hand", frames.stock(self.case, self.plan), note=self._kept_words),
        ]

    @property
    def _kept_words(self) -> str:
        """How the value of stock is found."""
        settings = self.case.settings
        carrying = settings.carrying_usd_per_lb_day * LB_PER_CWT
        return (
            f"If kept: replacement price less {cents(carrying)}/cwt a day to"
            f" {day(next_grind_day(settings))}, the next day of grinding, or the salvage value;"
            " nothing, or less what it costs to get rid of, if it expires by then."
        )

    def _break_even_blocks(self) -> list[Block]:
        marginal = frames.marginal_costs(self.case, self.plan).drop(columns="product_id")
        missing = len(self.case.usable_lots()) - len(self.whole_break_evens)
        late = f" {counted(missing, 'lot')} not done in time." if missing else ""
        whole = [
            Block(
                "Break-even by lot, in whole combos and batches",
                frames.whole_lots(self.case, self.whole_break_evens),
                note="The day planned again without the lot, or with some of it:"
                " the price of the pounds shown at which both days cost the same. A range, as the"
                " other day is known within its gap. No limit: orders can't be filled without it."
                + late,
            )
        ]
        return [
            *(whole if self.whole_break_evens else ()),
            Block(
                f"Break-even by lot, {SPLIT}",
                self.lots,
                note="Prices are of the LP relaxation; the whole-container plan may differ. One"
                " price moved at a time. No limit: orders can't be filled without it. Blank: not"
                f" at any price.{self._pricing_stopped()}",
            ),
            Block(f"Cost of one more, {SPLIT}", marginal, note="Negative is money saved."),
        ]

    def _limit_blocks(self) -> list[Block]:
        note = (
            "Shadow prices of the LP relaxation, on the pounds it makes of each product (no plan:"
            " none that still makes them). No other limit costs you anything today."
        )
        stopped = self._pricing_stopped()
        title = f"What each limit costs, {SPLIT}"
        return [Block(title, priced_limits(self.limits), note=stopped.strip() or note)]

    def _pricing_stopped(self) -> str:
        stopped = " Pricing was stopped early: some are missing."
        return stopped if self.plan.pricing_stopped else ""

    def _check_blocks(self) -> list[Block]:
        case, plan = self.case, self.plan
        return [
            Block("Checks of the printed plan", verdict_counts(plan)),
            Block(
                "Over a limit: fix it, or clear it with label approval",
                frames.over_limits(case, plan),
            ),
            Block("OK after rounding to whole pounds", rounding_by_class(plan)),
            Block("Check by hand", frames.label_points(case, plan)),
            Block("Standards", frames.standards(case, plan)),
            Block(
                "Species, origins and label claims",
                frames.labels(case, plan),
                note="As the tables state them; a label needs the papers of the lots you grind.",
            ),
            Block("Not available today", frames.not_available(case)),
        ]

    def _margin_blocks(self) -> list[Block]:
        if self._safe is None:
            return []
        columns = ["product", "side", "limit_percent", "lean_percent", "error_points"]
        columns += ["margin_points", "confidence_percent", "asked_percent"]
        note = (
            f"Confidence {self.errors.words}{self._how_shared}. Std. dev. of a batch's tested lean"
            f" is from lots, containers, mixing and test{self._assumed()}."
        )
        blocks = [Block("Margins off each limit", self._margins(), columns, note)]
        if self._safe.tests or self._safe.tests_stopped:
            stopped = " Pricing was stopped early: some are missing."
            note = (
                "Each lot by itself; savings of two lots do not add up. A test narrows a lot's"
                " error; that it also moves its mean is not counted."
            )
            note += stopped if self._safe.tests_stopped else ""
            blocks.append(
                Block(f"What one more test of a lot saves, {SPLIT}", self._tests(), note=note)
            )
        return blocks

    @property
    def _how_shared(self) -> str:
        """What the odds rest on."""
        if self.errors.words == ASSUMES_INDEPENDENT:
            return (
                "; lots of one untested supplier may share a bias, and then the true confidence is"
                " lower"
            )
        if self.is_lean_estimated:
            return ", as estimated from tests"
        share = percent(SHARED_BY_SUPPLIER, max_decimals=0)
        return f": {share} of the variance of each lot's error (our assumption)"

    def _certificate_blocks(self) -> list[Block]:
        bound = self.plan.certificate.bound
        note = f"The gap is {100 * bound.gap_share:.4f}% of this plan's cost."
        if bound.gap_usd < 0:
            note += " Negative: rounding leaves this plan short of a limit."
        checked = counted(len(self.plan.certificate.checks), "limit")
        note += f" {checked} checked by plain arithmetic."
        if self.plan.stopped_early:
            note += " The search was stopped early: best plan so far."
        if self._safe is not None:
            note += (
                f" {counted(len(self._safe.chance_constraints), 'confidence')} checked exactly"
                f" ({self.errors.words}); no plan with them costs less than"
                f" ${self._safe.any_plan_usd:,.2f}, certified exactly."
            )
        return [Block("How close to the cheapest", frames.certificate(self.plan), note=note)]

    def _temperature_blocks(self) -> list[Block]:
        if not self.temperatures:
            return []
        note = (
            "By heat balance, before grinding and mixing add several degrees. Partly frozen meat"
            " may need tempering. Your thermometer and HACCP plan decide. * Rough: a lot is outside"
            " the published data, 3 to 30% fat."
        )
        frame = temperature_frame(self.case, self.temperatures, self.max_temp_f)
        return [Block("How warm batches get", frame.drop(columns="batches"), note=note)]

    def _margins(self) -> DataFrame:

        return DataFrame(
            {
                "product_id": each.product_id,
                "product": run_name(self.case, self.plan, each.product_id, each.run),
                "side": "floor" if each.side.value == "below" else "ceiling",
                "limit_percent": 100 * each.limit_share,
                "lean_percent": 100 * each.lean,
                "error_points": 100 * each.sd_share,
                "margin_points": 100 * each.margin_share,
                "needed_points": 100 * each.needed_share,
                "confidence_percent": 100 * each.confidence,
                "asked_percent": 100 * each.asked,
            }
            for each in self._safe.chance_constraints
        )

    def _tests(self) -> DataFrame:

        columns = ["lot_id", "item", "error_points", "after_test_points", "saves_usd"]
        columns += ["test_usd", "tests_that_pay"]
        return DataFrame(
            [
                (
                    each.lot_id,
                    self.case.lot(each.lot_id).item,
                    100 * each.standard_error_share,
                    100 * each.error_after_share,
                    each.saving_usd,
                    each.test_cost_usd,
                    each.tests_that_pay,
                )
                for each in self._safe.tests
            ],
            columns=columns,
        )

    def chart(self) -> dict[str, Any]:
        """What goes into each product by lean of the lots, and its lean against spec."""
        from blend.grinder.blend_chart import blend_chart

        return blend_chart(self.case, self.plan)


def plan(case: Case, *, extra: Added = (), shadow_prices: bool = True) -> DayPlan:
    """Today's plan at least cost. `extra` are PuLP constraints on the variables of
    `blend.model(case)`, by name. Raises NoPlan, InputRefused or OutOfTime as `make_plan` does."""
    from blend.grinder.odds import errors_of
    from blend.grinder.plan import make_plan

    if extra:
        from blend.model.pulp_model import constraints_from_pulp

        case = case.with_constraints(constraints_from_pulp(case, extra))
    made = make_plan(case, shadow_prices=shadow_prices)
    return DayPlan(case=case, plan=made, errors=errors_of(case, {}, ()))


def order_words(case: Case, plan: Plan) -> str:
    """What orders are short at their penalty, and what rounding adds; empty where they are full."""
    short = {
        name: made_short
        for name, made_short in plan.shortage_lb.items()
        if made_short >= _NAMED_SHORT_LB
    }
    off = (("short", plan.rounding_short_lb), ("over", plan.rounding_over_lb))
    rounded = " and ".join(
        f"{how} by up to {number(short_tenths(max(by_product.values())), max_decimals=1)} lb"
        for how, by_product in off
        if by_product
    )
    if not short:
        return f"Orders are {rounded} from rounding." if rounded else ""
    named = ", ".join(
        f"{printable(case.product(name).name)} by {pounds(made_short)}"
        for name, made_short in short.items()
    )
    others = f"; rounding leaves orders {rounded}" if rounded else ""
    return f"Short of the order, at your penalty: {named}{others}."


def run_name(case: Case, plan: Plan, product_id: str, recipe: int) -> str:
    """The product's name, with the recipe's number where it has several."""
    name = printable(case.product(product_id).name)
    recipes = sum(run.product_id == product_id for run in plan.runs)
    return f"{name}, recipe {recipe} of {recipes}" if recipes > 1 else name


def priced_limits(limits: DataFrame) -> DataFrame:
    """Limits that cost money, the dearest first, as they are shown."""
    costly = limits[["loosening_saves_usd", "tightening_costs_usd"]].abs().max(axis=1)
    shown = limits[costly >= _CENT_ROUNDS_UP_FROM].sort_values(
        ["loosening_saves_usd", "tightening_costs_usd"], ascending=False, kind="stable"
    )
    tightening = shown["tightening_costs_usd"].astype(object)
    columns = ["limit", "per", "loosening_saves_usd", "tightening_costs_usd"]
    return shown.assign(tightening_costs_usd=tightening.where(tightening != math.inf, "no plan"))[
        columns
    ]


def verdict_counts(plan: Plan) -> DataFrame:
    """How many checks came out how."""

    return DataFrame(
        {
            "verdict": VERDICT_WORDS[verdict],
            "checks": sum(check.verdict is verdict for check in plan.certificate.checks),
        }
        for verdict in Verdict
    )


def rounding_by_class(plan: Plan) -> DataFrame:
    """Limits met only after rounding, by constraint class: how many, and the farthest off."""

    within: dict[str, list[Check]] = {}
    for check in plan.certificate.checks:
        if check.verdict is Verdict.WITHIN_ROUNDING:
            name = CONSTRAINT_CLASS_WORDS[check.requirement.constraint_class]
            within.setdefault(name, []).append(check)
    return DataFrame(
        [
            (
                name,
                len(checks),
                value(_off(far := max(checks, key=_off)), far.unit),
                value(far.allowance, far.unit),
            )
            for name, checks in sorted(within.items())
        ],
        columns=["limits", "checks", "farthest_off", "rounding_can_move"],
    )


def _off(check: Check) -> float:
    """By how much a value is beyond its limit."""
    below = 0.0 if check.minimum is None else check.minimum - check.read
    above = 0.0 if check.maximum is None else check.read - check.maximum
    return max(below, above, 0.0)


def _tenths(check: Check) -> str:
    if check.unit == "share":
        return percent(check.read, min_decimals=1, max_decimals=1)
    return value(check.read, check.unit)


def _bullets(title: str, lines: Iterable[str]) -> str:
    items = [screen.wrapped(f"- {line}", "  ") for line in lines]
    return "\n".join([screen.strong(title), *items]) if items else ""


def _bought(row: Any) -> str:
    """One lot to buy in a cell of the list: item, lot, pounds, delivered price."""
    tail = f"{printable(row.lot_id):<6} {row.taken_lb:>6,.0f} {row.delivered_usd_per_cwt:>6.2f}"
    room = max(8, _CELL - 3 - len(tail))
    item = printable(row.item)
    item = item if len(item) <= room else item[: room - 1] + "…"
    return f"  {item:<{room}} {tail}"


def _is_double(cells: Sequence[str]) -> bool:
    return 2 * max(map(len, cells), default=0) + 1 <= screen.width()


def _lines_needed(cells: Sequence[str]) -> int:
    return math.ceil(len(cells) / 2) if _is_double(cells) else len(cells)


def _side_by_side(cells: list[str], lines: int) -> list[str]:
    """Cells in two columns where they fit the terminal; past `lines` the rest is counted."""
    is_double = _is_double(cells)
    rest = len(cells) - lines * (2 if is_double else 1)
    more = []
    if rest > 0:
        kept = (lines - 1) * (2 if is_double else 1)
        more = [f"  and {counted(len(cells) - kept, 'more lot')}: --buy"]
        cells = cells[:kept]
    if not is_double:
        return [*cells, *more]
    half = math.ceil(len(cells) / 2)
    wide = max(map(len, cells), default=0)
    right = cells[half:] + [""] * (2 * half - len(cells))
    return [f"{a:<{wide}} {b}".rstrip() for a, b in zip(cells[:half], right, strict=True)] + more
