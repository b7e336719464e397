"""The question `plan --days`: several days at once, what to buy, make, freeze, hold and sell on."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from functools import cached_property
from math import nan
from typing import Any

from blend.domain.days import DaysPlan, Purchase
from blend.domain.horizon import FROZEN, DayConstraintClass, DayRequirement, Horizon
from blend.domain.plan import Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.errors import SolverTrouble
from blend.grinder.plan_days import AS_DIVISIBLE, DaysInfeasibleSubset, Say, plan_days
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, money, printable, register
from blend.output.frames import DataFrame
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_MIN_LB = 0.5
_MAX_TODAY = 11
_MAX_NEAREST = 8
_BASIS = "as if combos could be split, counts as planned"
_SUMS = {
    "make_lb": "Make", "short_lb": "Short", "buy_lb": "Buy", "freeze_lb": "Freeze",
    "frozen_lb": "Makes frozen", "sell_lb": "Sell on", "lost_lb": "Lost",
    "from_frozen_lb": "From frozen",
}  # fmt: skip

register({name: Format(heading, "lb", 0, is_summed=True) for name, heading in _SUMS.items()})
register(
    {
        "buy_usd": Format("Buy", "$", 0, is_summed=True),
        "earns_usd": Format("Earns", "$", 0, is_summed=True),
        "offer_id": Format("Offer"),
        "bid_id": Format("Bid"),
        "over_break_even_usd_per_cwt": Format("Over by", "$/cwt", 2),
        "lots": Format("Lots", "", 0),
        "cost_usd": Format("Cost", "$", 0, is_summed=True),
    }
)


def days(
    horizon: Horizon,
    *,
    divisible: bool = False,
    shadow_prices: bool = True,
    progress: Say | None = None,
    stopped: Callable[[], bool] | None = None,
) -> DaysAnswer:
    """The least-cost plan of all days, checked; raises as `plan_days` does, and SolverTrouble
    for a plan that fails its own check."""
    plan = plan_days(
        horizon,
        divisible=divisible,
        shadow_prices=shadow_prices,
        progress=progress,
        stopped=stopped,
    )
    if not plan.is_valid:
        raise SolverTrouble("The plan fails its own check; do not use it.")
    return DaysAnswer(horizon, plan)


@dataclass(frozen=True)
class DaysAnswer(Answer):
    """A plan of several days. Pounds are not rounded; each day's own plan makes batches whole."""

    horizon: Horizon
    plan: DaysPlan

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`days`: a line for each day. `buy`, `make`, `freeze`, `sell`, `lost`: what to do.
        `not_bought`: offers and their break-even. `orders`, `limits`: what one more costs or
        saves. `money`, `checks`, and `ledger`: in and out of every lot on every day."""

        plan = self.plan
        columns: dict[str, Iterable[dict[str, Any]]] = {
            "days": [self._day(each) for each in plan.days],
            "buy": [self._buy(each) for each in self._purchases if each.pounds_lb >= _MIN_LB],
            "not_bought": self._not_bought(),
            "make": self._make(),
            "freeze": [
                self._lot(each.day, each.lot_id)
                | {"freeze_lb": each.fresh_lb, "frozen_lb": each.frozen_lb}
                for each in sorted(plan.freezes, key=_by_day)
                if each.fresh_lb >= _MIN_LB
            ],
            "sell": [
                self._lot(each.day, each.lot_id)
                | {
                    "bid_id": each.price_id,
                    "sell_lb": each.pounds_lb,
                    "price_usd_per_cwt": each.price_usd_per_lb * LB_PER_CWT,
                    "earns_usd": each.pounds_lb * each.price_usd_per_lb,
                }
                for each in sorted(plan.sales, key=_by_day)
                if each.pounds_lb >= _MIN_LB
            ],
            "lost": [
                self._lot(each.day, each.lot_id) | {"lost_lb": each.pounds_lb}
                for each in sorted(plan.wastes, key=_by_day)
                if each.pounds_lb >= _MIN_LB
            ],
            "money": [{"line": line, "cost_usd": usd} for line, usd in self._money() if usd],
            "orders": [
                {
                    "day": each.day,
                    "product": self.horizon.case.product(each.product_id).name,
                    "next_usd_per_cwt": each.next_cwt_usd,
                }
                for each in plan.order_prices
            ],
            "limits": [
                {
                    "day": each.requirement.day,
                    "limit": day_requirement_words(each.requirement, self.horizon),
                    "saves_usd_per_cwt": each.loosening_saves_usd_per_cwt,
                }
                for each in plan.capacity_prices
            ],
            "checks": [
                {
                    "verdict": each.verdict.value,
                    "day": each.requirement.day,
                    "requirement": day_requirement_words(each.requirement, self.horizon),
                    "value": each.read,
                    "min": each.minimum,
                    "max": each.maximum,
                    "unit": each.unit,
                }
                for each in plan.checks
                if each.verdict not in (Verdict.MET, Verdict.NOTE) and each.note != AS_DIVISIBLE
            ],
            "ledger": [
                self._lot(each.day, each.lot_id) | asdict(each)
                for each in sorted(plan.ledger, key=_by_day)
            ],
        }
        return {name: DataFrame(rows) for name, rows in columns.items()}

    @property
    def figures(self) -> Mapping[str, Any]:
        bound = self.plan.bound
        return {
            "cost_usd": bound.printed_usd,
            "bound_usd": bound.bound_usd,
            "gap_usd": bound.gap_usd,
            "is_certified": bound.is_certified,
            "stopped_early": self.plan.stopped_early,
        }

    # Rows ----------------------------------------------------------------------------------------

    @cached_property
    def _purchases(self) -> list[Purchase]:
        return sorted(self.plan.purchases, key=_by_day)

    @cached_property
    def held_lb(self) -> Mapping[tuple[str, date], float]:
        """Pounds held overnight by cooler and day."""
        held: dict[tuple[str, date], float] = defaultdict(float)
        for row in self.plan.ledger:
            cooler = self.horizon.cooler_of(self.horizon.lot(row.lot_id))
            if cooler is not None:
                held[cooler.cooler_id, row.day] += row.kept_lb
        return held

    def _day(self, of: date) -> dict[str, Any]:
        plan = self.plan
        bought = [each for each in plan.purchases if each.day == of]
        made = [each for each in plan.blends if each.day == of]
        return {
            "day": of,
            "make_lb": sum(each.finished_lb for each in made),
            "short_lb": sum(each.short_lb for each in made),
            "buy_lb": sum(each.pounds_lb for each in bought),
            "buy_usd": sum(each.pounds_lb * each.price_usd_per_lb for each in bought),
            "freeze_lb": sum(each.fresh_lb for each in plan.freezes if each.day == of),
            "sell_lb": sum(each.pounds_lb for each in plan.sales if each.day == of),
            "lost_lb": sum(each.pounds_lb for each in plan.wastes if each.day == of),
        } | {
            f"in_{cooler.cooler_id}_lb": self.held_lb[cooler.cooler_id, of]
            for cooler in self.horizon.coolers
        }

    def _lot(self, of: date, lot_id: str) -> dict[str, Any]:
        return {"day": of, "lot_id": lot_id, "item": self.horizon.lot(lot_id).item}

    def _buy(self, each: Purchase) -> dict[str, Any]:
        value = each.value_usd_per_lb
        return self._lot(each.day, each.lot_id) | {
            "offer_id": each.offer_id,
            "buy_lb": each.pounds_lb,
            "price_usd_per_cwt": each.price_usd_per_lb * LB_PER_CWT,
            "buy_usd": each.pounds_lb * each.price_usd_per_lb,
            "break_even_usd_per_cwt": nan if value is None else value * LB_PER_CWT,
        }

    def _not_bought(self) -> list[dict[str, Any]]:
        """Offers not taken, the closest to their break-even first."""
        rows = [
            self._buy(each) for each in self._purchases
            if each.pounds_lb < _MIN_LB and each.value_usd_per_lb is not None
        ]  # fmt: skip
        for row in rows:
            over = row["price_usd_per_cwt"] - row["break_even_usd_per_cwt"]
            row["over_break_even_usd_per_cwt"] = over
        return sorted(rows, key=lambda row: (row["over_break_even_usd_per_cwt"], row["offer_id"]))

    def _make(self) -> list[dict[str, Any]]:
        return [
            {
                "day": blend.day,
                "product": self.horizon.case.product(blend.product_id).name,
                "make_lb": blend.finished_lb,
                "short_lb": blend.short_lb,
                "lean_percent": nan if blend.lean is None else blend.lean * POINTS_PER_SHARE,
                "lots": len(blend.ingredients),
                "from_frozen_lb": sum(
                    part.pounds_lb
                    for part in blend.ingredients
                    if self.horizon.lot(part.lot_id).fresh_or_frozen == FROZEN
                ),
            }
            for blend in self.plan.blends
        ]

    def _money(self) -> list[tuple[str, float]]:
        money = self.plan.money
        return [
            ("Meat bought, delivered", money.bought_usd),
            ("Freezing", money.freezing_usd),
            ("Holding overnight", money.holding_usd),
            ("Disposal", money.disposal_usd),
            ("Short-fill penalty", money.shortage_penalty_usd),
            ("Products sold", -money.product_sales_usd),
            ("Meat sold on", -money.sold_on_usd),
            ("Credit for leftovers", -money.leftover_credit_usd),
        ]

    # The screen ----------------------------------------------------------------------------------

    def screen(self, sections: Collection[str] = ()) -> str:
        frame = self.tables["days"]
        first, last = self.plan.days[0], self.plan.days[-1]
        title = f"{counted(len(frame), 'day')}, {day(first)} to {day(last)}"
        return screen.blocks(
            [
                f"{screen.strong(title)}\n{screen.wrapped(self.headline)}",
                screen.table(frame, screen.with_values(frame)),
                self._today(),
                screen.watch(self.warnings),
            ],
            sections,
            {
                "recipes": self._each_day,
                "money": self._costs,
                "break-even": self._prices,
                "checks": self._checks,
            },
        )

    @property
    def headline(self) -> str:
        """What all days cost, and how close that is to the cheapest."""
        from blend.output.gap import gap_words

        bound = self.plan.bound
        gap = gap_words(
            bound.printed_usd,
            bound.bound_usd,
            is_certified=bound.is_certified,
            model=" for the model as stated",
        )
        split = any(check.note == AS_DIVISIBLE for check in self.plan.checks)
        basis = " as if containers, counts and minimums could be split" if split else ""
        return f"Cost of all days{basis} {money(bound.printed_usd)}. {gap}"

    def _today(self) -> str:
        frame, first = self.tables["buy"], self.plan.days[0]
        if frame.empty:
            return "Nothing to buy."
        today = frame[frame["day"] == first]
        hidden = len(today) - _MAX_TODAY
        return screen.table(
            today.head(_MAX_TODAY),
            ["lot_id", "item", "buy_lb", "price_usd_per_cwt", "buy_usd", "break_even_usd_per_cwt"],
            title=f"Buy on {day(first)}",
            note=f"And {hidden} more (--recipes)." if hidden > 0 else "",
        )

    @property
    def warnings(self) -> list[str]:
        """What to act on: limits that need a label or a call, and what the plan leaves open."""
        plan, checks = self.plan, self.tables["checks"]
        found = []
        if len(checks):
            over = counted(len(checks), "limit") + " of standards or rules exceeded"
            found.append(f"{over}: fix, or clear with label approval (--checks).")
        lost_lb = sum(each.pounds_lb for each in plan.wastes)
        if lost_lb >= _MIN_LB:
            found.append(f"{lost_lb:,.0f} lb lost past its last day of use (--recipes).")
        worthless = sorted(
            row.lot_id
            for row in plan.ledger
            if row.day == plan.days[-1] and row.kept_lb >= _MIN_LB
            if not self.horizon.lot(row.lot_id).salvage_value_usd_per_lb
        )
        if worthless:
            lots = ", ".join(worthless[:4]) + (" and others" if len(worthless) > 4 else "")
            found.append(f"No salvage value for what is left of {lots}: counted as worth nothing.")
        if plan.stopped_early:
            found.append("Search stopped early: a better plan may exist, within the gap above.")
        if plan.pricing_stopped:
            found.append("Pricing stopped early: break-evens are missing.")
        return [*found, "Pounds are not rounded and batches may split: plan each day to make it."]

    def _each_day(self) -> str:
        """What to buy, make, freeze and sell on, and what is lost, day by day."""
        titles = {
            "buy": "Buy",
            "make": "Make",
            "freeze": "Freeze",
            "sell": "Sell on",
            "lost": "Lost past its last day of use",
        }
        hidden = {"lot_id", "break_even_usd_per_cwt"}  # the offer names the lot
        parts = []
        for name, title in titles.items():
            frame = self.tables[name]
            columns = [each for each in frame.columns if name != "buy" or each not in hidden]
            parts += [screen.table(frame, columns, title=title)] if len(frame) else []
        return "\n\n".join(parts)

    def _costs(self) -> str:
        return screen.table(
            self.tables["money"],
            title="What it costs",
            note="Opening inventory is already paid for.",
        )

    def _prices(self) -> str:
        orders, limits = self.tables["orders"], self.tables["limits"]
        others = self.tables["not_bought"]
        if orders.empty:
            return "No break-evens: they were left out, or no order is open to change."
        heads = [f"{of:%b} {of.day}_usd_per_cwt" for of in orders["day"]]
        by_day = orders.assign(day=heads).pivot_table(
            index="product", columns="day", values="next_usd_per_cwt", sort=False
        )
        parts = [screen.table(by_day.reset_index(), title="Cost of one more cwt")]
        if len(limits):
            parts.append(screen.table(limits, title="What one more cwt of a limit saves"))
        if len(others):
            hidden = len(others) - _MAX_NEAREST
            more = f"And {counted(hidden, 'more offer')}." if hidden > 0 else ""
            title = "Not bought, closest to break-even first"
            nearest = others.drop(columns=["lot_id", "buy_lb", "buy_usd"]).head(_MAX_NEAREST)
            parts.append(screen.table(nearest, title=title, note=more))
        return "\n\n".join([*parts, screen.wrapped(f"Prices are {_BASIS}.")])

    def _checks(self) -> str:
        from blend.output.formats import value

        count = Counter(check.verdict for check in self.plan.checks)
        split = sum(check.note == AS_DIVISIBLE for check in self.plan.checks)
        lines = [f"{counted(count[Verdict.MET], 'check')} by plain arithmetic met."]
        if count[Verdict.NOTE]:
            notes = counted(count[Verdict.NOTE], "condition")
            lines.append(f"{notes} of standards to check by hand: see each day's own plan.")
        if split:
            lines.append(f"{counted(split, 'limit')} on containers, counts and minimums not kept.")
        frame = self.tables["checks"]
        over = [
            f"{row['day']}: {row['requirement']}: {value(row['value'], row['unit'])}"
            for row in frame.to_dict("records")
        ]
        head = [screen.strong("Checks"), *map(screen.wrapped, lines)]
        if over:
            head.append("Over a limit: fix it, or clear it with label approval")
        return "\n".join([*head, *(screen.wrapped(f"  {line}", "    ") for line in over)])

    def chart(self) -> Spec:
        """What each cooler holds overnight by day, and what comes in and goes out."""
        names = [f"{of:%a %b} {of.day}" for of in self.plan.days]
        x, panels = charts.name("day", axis={"labelAngle": 0}), []
        for cooler in self.horizon.coolers:
            rows = [
                {
                    "day": name,
                    "lb": self.held_lb[cooler.cooler_id, of],
                    "capacity": cooler.capacity_lb,
                }
                for name, of in zip(names, self.plan.days, strict=True)
            ]
            y = charts.amount("lb", f"{cooler.cooler_id}, lb")
            bars = charts.layer({"type": "bar", "color": charts.BLUE}, x=x, y=y)
            limit = {"type": "rule", "color": charts.ORANGE, "strokeDash": [5, 3]}
            full = charts.layer(limit, y=y | {"field": "capacity", "aggregate": "max"})
            layers = [bars] if cooler.capacity_lb is None else [bars, full]
            panels.append({"data": {"values": rows}, "layer": layers, "height": 130})
        flows = {"buy_lb": "bought", "make_lb": "made", "sell_lb": "sold on", "lost_lb": "lost"}
        rows = [
            {"day": name, "flow": flow, "lb": row[column] * (1 if column == "buy_lb" else -1)}
            for name, row in zip(names, charts.rows_of(self.tables["days"]), strict=True)
            for column, flow in flows.items()
            if row[column]
        ]
        y = charts.amount("lb", "in above, out below, lb")
        bars = charts.layer("bar", x=x, y=y, color=charts.name("flow"))
        panels.append({"data": {"values": rows}, "height": 160, **bars})
        return charts.chart(
            "Inventory by day",
            [],
            {"vconcat": [panel | {"width": charts.WIDTH_PX} for panel in panels]},
            subtitle="Held overnight; dashed: capacity. Below: finished and sold pounds go out.",
        )


def _by_day(row: Any) -> tuple[date, str]:
    return row.day, row.lot_id


# Words -------------------------------------------------------------------------------------------

_WORDS = {
    DayConstraintClass.BALANCE: "in and out of lot {of.lot_id}",
    DayConstraintClass.USE_BY: "last day of use of lot {of.lot_id}",
    DayConstraintClass.CAPACITY: "space in {of.cooler_id}",
    DayConstraintClass.ENDING_INVENTORY: "ending inventory of {of.cooler_id}",
    DayConstraintClass.FREEZER: "freezing capacity of {of.cooler_id}",
    DayConstraintClass.FROZEN_OVERNIGHT: "a night to freeze {of.lot_id}",
    DayConstraintClass.MAX_USED: "max used a day (rule {of.rule_id})",
    DayConstraintClass.MIN_IF_USED: "min if used (rule {of.rule_id})",
    DayConstraintClass.NEEDS: "what must go with it (rule {of.rule_id})",
    DayConstraintClass.AGREED: "{of.price_id}, agreed already",
    DayConstraintClass.WHOLE_LOADS: "whole loads of {of.price_id}",
}


def day_requirement_words(requirement: DayRequirement, horizon: Horizon) -> str:
    """One requirement of a day as its owner would say it."""
    kind = requirement.constraint_class
    if isinstance(kind, DayConstraintClass):
        return printable(_WORDS[kind].format(of=requirement))
    if kind == ConstraintClass.VOLUME_MIN:
        return printable(f"order of {horizon.case.product(requirement.product_id).name}")
    from blend.phrases import requirement_words

    of_case = Requirement(kind, requirement.product_id, requirement.lot_id, requirement.rule_id)
    return requirement_words(of_case, horizon.day_cases[horizon.days.index(requirement.day)])


def no_plan_lines(infeasible: DaysInfeasibleSubset, horizon: Horizon) -> list[str]:
    """Why there is no plan, line by line."""
    loosening = infeasible.loosening_lb
    if loosening is None:
        return [
            "No plan exists, and none would with more space, longer shelf life or smaller orders:",
            "the lots can't make a blend. Plan a single day to see why.",
        ]
    if not loosening:
        return [
            "No plan exists because of what must be whole: containers, counts or minimums.",
            "With --containers no there is one.",
        ]
    return ["No plan exists. The smallest change that allows one:"] + [
        f"  {day(requirement.day)}: relax {day_requirement_words(requirement, horizon)}"
        f" by {lb:,.0f} lb"
        for requirement, lb in sorted(loosening.items(), key=lambda each: each[0].day)
    ]
