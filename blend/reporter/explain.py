"""Why an item's price, or what it is worth to a plant, moved between two dates.

Whatever is said of a driver is what the model gives with that driver moved or left as it was.
Whether a driver may be named as the cause is decided by `blend.reporter.headline` alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from blend.domain.case import Case
from blend.domain.certificates import Certified
from blend.domain.clearing import Market
from blend.domain.selectors import Selector
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, cents, day, money, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, with_sections, wrapped
from blend.reporter.clearing import MarketWhy, why_market_moved
from blend.reporter.draws import Priors
from blend.reporter.explained import Contribution, ItemMove, Observed
from blend.reporter.headline import headline_of, is_separable, no_cause_words
from blend.reporter.mixed import Driver
from blend.reporter.sides import Cell as SideKind
from blend.reporter.sides import Side, Sides, sides_of_cases, sides_of_markets
from blend.reporter.waterfall import waterfall
from blend.reporter.why import PlanWhy, may_fall_short, why_plan_moved
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_CENT_USD_PER_LB = 0.005 / LB_PER_CWT
_MIN_USD = 0.5
CAUTION = (
    "A driver's part is the mean, over every order in which the drivers could have moved, of what "
    "its move changes in this model. What the tables imply, not proof of cause."
)
_SAME_SHARE = "The same share of an item's pounds goes to grinders on both days."
_ASSUMED_OF_MARKET = {
    Driver.OWN_SUPPLY: _SAME_SHARE,
    Driver.FRESH_SUPPLY: _SAME_SHARE,
    Driver.IMPORTED_SUPPLY: f"{_SAME_SHARE} What lands is what is used.",
    Driver.ORDERS: "Orders are what buyers would take at the earlier prices, not what was ground. "
    "Elasticities are stated, not estimated.",
    Driver.RULES: "Rules hold for every grinder alike.",
}
register(
    {
        "part_usd_per_cwt": Format("Part", "$/cwt", 2, is_signed=True),
        "last_part_usd_per_cwt": Format("Part, last pound", "$/cwt", 2, is_signed=True),
        "part_low_usd_per_cwt": Format("90% from", "$/cwt", 2, is_signed=True),
        "part_high_usd_per_cwt": Format("to", "$/cwt", 2, is_signed=True),
        "unchanged_usd_per_cwt": Format("If unchanged", "$/cwt", 2),
        "difference_usd_per_cwt": Format("Difference", "$/cwt", 2, is_signed=True),
        "part_usd": Format("Part", "$", 0, is_signed=True),
        "unchanged_usd": Format("If unchanged", "$", 0),
        "difference_usd": Format("Difference", "$", 0, is_signed=True),
        "before_lb_per_cwt": Format("Before", "lb/cwt", 2),
        "after_lb_per_cwt": Format("After", "lb/cwt", 2),
        "by_price_usd": Format("By price", "$", 0, is_signed=True),
        "by_recipe_usd": Format("By recipe", "$", 0, is_signed=True),
        "pounds_change_percent": Format("Change", "%", 1, is_signed=True),
        "pounds_on_year_percent": Format("On year", "%", 1, is_signed=True),
    }
)


@dataclass(frozen=True, slots=True)
class Step:
    """One driver: its part in short, what is said of it, and the cells of it that differ."""

    name: str
    part: str
    lines: tuple[str, ...]
    changes: DataFrame


@dataclass(frozen=True)
class Moved(Answer):
    """A move of what an item is worth to a plant (`plan` set) or of the price that clears its
    market, split among drivers."""

    item: str
    """As it is called: fresh 90s."""
    lots: str
    move: ItemMove
    since: str
    sides: Sides
    certified: Certified
    plan: PlanWhy | None = None
    priors: Priors | None = None
    on_year: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Of a market's items and products, pounds now and a year ago; empty where not given."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        found = {"parts": parts_frame(self.move)}
        if self.plan is not None:
            found |= {"cost": cost_frame(self.plan), "lots": lots_frame(self.plan)}
        else:
            found["pounds"] = pounds_frame(self.move, self.on_year)
        return found | {"changes": changes_frame(self.sides)}

    @property
    def figures(self) -> Mapping[str, Any]:
        found: dict[str, Any] = {
            "before_usd_per_cwt": self.move.next.before * LB_PER_CWT,
            "after_usd_per_cwt": self.move.next.after * LB_PER_CWT,
            "headline": self.headline,
        }
        if (rest := self.move.unexplained_usd_per_lb) is not None:
            found["not_explained_usd_per_cwt"] = rest * LB_PER_CWT
        if self.plan is not None:
            found |= {"before_usd": self.plan.cost.before, "after_usd": self.plan.cost.after}
        return found

    # The first screen --------------------------------------------------------------------------

    def screen(self, sections: Collection[str] = ()) -> str:
        name = self.item[:1].upper() + self.item[1:]
        lots = f" ({self.lots})" if self.lots != self.item else ""
        first = [
            wrapped(f"{name}{lots}: {self._verb[0]} {self._went(self.move.next.change)}"),
            *self._part_lines(),
            *map(wrapped, self.quote_lines()),
            *self._cost_lines(),
            "",
            *(wrapped(line) for line in self.print_lines()),
        ]
        offered = {"parts": self._parts, "changes": self._changes, "certificate": self._certificate}
        if self.plan is not None:
            offered = {"by-lot": self._lots, **offered}
        return with_sections(first, sections, offered)

    @property
    def _verb(self) -> tuple[str, str]:
        return ("worth", "be worth") if self.plan is not None else ("clears at", "clear at")

    def _went(self, change: float) -> str:
        after, before = (cents(end * LB_PER_CWT) for end in (self.move.next.after,
                                                              self.move.next.before))  # fmt: skip
        where = " to this plant" if self.plan is not None else " in our model"
        return f"{after}/cwt{where}, {_moved(change)} from {before} {self.since}."

    def _part_lines(self) -> list[str]:
        parts = self.move.next.contributions
        moved = [each for each in parts if _matters(each, self.move.next.after)]
        apart = [each for each in moved if is_separable(each)]
        room = max((len(each.driver) for each in apart), default=0)
        lines = [
            wrapped(
                f"  {each.driver:<{room}}  {_signed(each.amount):>8}{_interval(each)}"
                f"{pounds_words(each, self.on_year)}",
                " " * 8,
            )
            for each in sorted(apart, key=lambda each: -abs(each.amount))
        ]
        within = [f"{each.driver} {_signed(each.amount)}{_interval(each)}"
                  for each in moved if each not in apart]  # fmt: skip
        none = [each.driver for each in parts if each not in moved]
        lines += [wrapped(f"  could be chance: {', '.join(within)}", "  ")] if within else []
        return lines + ([wrapped(f"  {', '.join(none)}: no effect", "  ")] if none else [])

    def quote_lines(self) -> list[str]:
        """What the quotation did, and what of it the model does not explain."""
        seen, rest = self.move.observed, self.move.unexplained_usd_per_lb
        if seen is None or rest is None:
            return []
        error = self.move.unexplained_error_usd_per_lb
        way = "did not move" if abs(seen.move_usd_per_lb) < _CENT_USD_PER_LB else (
            f"{'rose' if seen.move_usd_per_lb > 0 else 'fell'} "
            f"{cents(abs(seen.move_usd_per_lb) * LB_PER_CWT)}"
            f"{_plus_minus(seen.standard_error_usd_per_lb)}"
        )  # fmt: skip
        line = f"The quote {way}. Not explained: {_dollars(rest)}"
        if error is None:
            return [f"{line}. To judge it, give the quote's error (--quote-error)."]
        beyond = "beyond" if abs(rest) > 2 * error else "within"
        return [f"{line} (±{error * LB_PER_CWT:.2f}, {beyond} two errors)."]

    def _cost_lines(self) -> list[str]:
        if self.plan is None:
            return []
        cost = self.plan.cost
        change = f"{'up' if cost.change > 0 else 'down'} {money(abs(cost.change))}"
        first = f"Day's cost {money(cost.after)}, {change} from {money(cost.before)}"
        parts = "   ".join(
            f"{each.driver} {each.amount:+,.0f}"
            for each in sorted(cost.contributions, key=lambda each: -abs(each.amount))
            if abs(each.amount) >= _MIN_USD
        )
        basis = "(rounded; as if combos and batches could be split)"
        return [first, *([wrapped(f"  {parts}", "  ")] if parts else []), f"  {basis}"]

    @property
    def headline(self) -> str:
        """The cause that may be printed, or why none may."""
        headline = headline_of(self.move)
        if headline.driver is None:
            return no_cause_words(headline, self.item)
        return f"In our model, {share_words(headline.driver, self.move)} {self._what_moved}."

    @property
    def heading(self) -> str:
        """Of the parts; it says they are only the model's where no cause may be named."""
        title = f"{self.item}, driver by driver"
        if headline_of(self.move).driver is None:
            return f"What the model says: {title}"
        return title[:1].upper() + title[1:]

    @property
    def _what_moved(self) -> str:
        change = self.move.next.change
        size = f"the {cents(abs(change) * LB_PER_CWT)} {'rise' if change > 0 else 'drop'} in"
        if self.plan is not None:
            return f"{size} what one more cwt of {self.item} is worth to this plant"
        return f"{size} the price that clears the market for {self.item}"

    def print_lines(self) -> list[str]:
        if headline_of(self.move).driver is None:
            return [f"{self.headline} The parts above are what the model says, not a cause."]
        return [f'You can print: "{self.headline}" What the tables imply, not proof of cause.']

    # Sections ----------------------------------------------------------------------------------

    def _parts(self) -> str:
        shown = self.tables["parts"]
        note = "If unchanged: the value now, had this driver alone stayed as it was. " + CAUTION
        if self.priors is not None:
            note += f" {priors_words(self.priors)}"
        parts = [table(shown.dropna(axis="columns", how="all"), title="Parts", note=note)]
        if self.plan is not None:
            parts.append(table(self.tables["cost"], title="Day's cost"))
        else:
            parts.append(table(self.tables["pounds"], title="Items and products behind the drivers",
                               note=POUNDS_NOTE))  # fmt: skip
        return "\n\n".join(parts)

    def _lots(self) -> str:
        shown = self.tables["lots"]
        moved = shown[
            (shown.by_price_usd.abs() >= _MIN_USD) | (shown.by_recipe_usd.abs() >= _MIN_USD)
        ]
        return table(moved, title="Prices and substitution by lot", note=self.recipe_note)

    @property
    def recipe_note(self) -> str:
        assert self.plan is not None
        split = self.plan.recipe
        others = {"volume": split.volume_usd, "leftovers": split.left_over_usd,
                  "short fills": split.shortage_penalty_usd, "sales": split.sales_usd}  # fmt: skip
        listed = [f"{name} {money(usd)}" for name, usd in others.items() if abs(usd) >= _MIN_USD]
        return (
            f"All meat: by price {money(split.prices_usd)}, by recipe {money(split.recipe_usd)}; "
            f"{', '.join(listed) or 'nothing else moved the cost'}. Prices at the mean recipe; "
            "recipe changes (substitution) at mean prices."
        )

    def _changes(self) -> str:
        return table(self.tables["changes"], title="What differs between the two, by driver")

    def _certificate(self) -> str:
        return wrapped("Certificate: " + self.certificate)

    @property
    def certificate(self) -> str:
        """What was checked without the solver; the gap is never shown smaller than it is."""
        count, gap_usd = self.certified.count, self.certified.gap_usd
        if self.plan is None:
            return (
                f"certified in exact arithmetic, without the solver: the prices are an equilibrium "
                f"of each of the {count} markets between the two, where no amounts gain "
                f"{money(max(1.0, gap_usd))} more, and every part is the mean over all orders."
            )
        return (
            f"certified in exact arithmetic, without the solver: each of the {count} cases between "
            "the two (as if combos and batches could be split) is solved to least cost, within "
            f"${max(1e-6, math.ceil(gap_usd * 1e6) / 1e6):.6f}, the shadow prices are those of the "
            "pounds in question, and every part is the mean over all orders."
        )

    def chart(self) -> Spec:
        title = (
            f"What one more cwt of {self.item} is worth to this plant, driver by driver"
            if self.plan is not None
            else f"The price that clears the market for {self.item}, driver by driver"
        )
        return waterfall(self.move, title, "What the model gives, not proof of cause")

    # Driver by driver --------------------------------------------------------------------------

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        assumed = {} if self.plan is not None else _ASSUMED_OF_MARKET
        made = []
        for each, last in zip(
            self.move.next.contributions, self.move.last.contributions, strict=True
        ):
            no_part = abs(each.amount) < _CENT_USD_PER_LB and not each.standard_error
            lines = [
                "No part of the move."
                if no_part
                else f"Part of the move: {_dollars(each.amount)}{_interval(each)}.",
                self.unchanged_words(each),
                assumed.get(each.driver, ""),
                pounds_words(each, self.on_year).strip(),
            ]
            if abs(each.amount - last.amount) >= _CENT_USD_PER_LB:
                lines.insert(1, f"For the last pound there is: {_dollars(last.amount)}.")
            name = each.driver.capitalize()
            changes = changes_frame({each.driver: self.sides[each.driver]}).drop(columns="driver")
            made.append(Step(name, "no part" if no_part else _dollars(each.amount),
                             tuple(filter(None, lines)), changes))  # fmt: skip
        return tuple(made)

    def unchanged_words(self, each: Contribution) -> str:
        """What the value would be now, had one driver stayed as it was."""
        return unchanged_words(each, self.move.next.after, self.item, self._verb[1])

    @property
    def end_lines(self) -> list[str]:
        """The sum of the parts, the rest and the certificate."""
        total = math.fsum(each.amount for each in self.move.next.contributions)
        change = _dollars(self.move.next.change)
        sums = f"The parts add up to {_dollars(total)}; the model's move is {change}."
        return [sums, *self.quote_lines(), CAUTION, f"Certificate: {self.certificate}"]

    @property
    def quotable(self) -> list[str]:
        """What may be printed, with its caution."""
        driver = headline_of(self.move).driver
        if driver is None:
            return [self.headline]
        return [self.headline, self.unchanged_words(driver), CAUTION]


def explain_plan(
    before: Case,
    after: Case,
    where: Selector,
    *,
    observed: Observed | None = None,
    shortage_usd_per_lb: float | None = None,
) -> Moved:
    """Why what the lots that meet `where` are worth to a plant, and its cost, moved.

    Raises as `why_plan_moved`, and SolverTrouble where the certificate does not hold.
    """
    if shortage_usd_per_lb is not None:
        before, after = (may_fall_short(case, shortage_usd_per_lb) for case in (before, after))
    why = why_plan_moved(before, after, where, observed=observed, certify=True)
    certified = why.certified()
    certified.must_be_valid(f"split of {where}")
    return Moved(
        why.reference.item,
        why.reference.lot_id,
        why.value,
        _since(before, after),
        sides_of_cases(before, after, where),
        certified,
        plan=why,
    )


def explain_market(
    before: Market,
    after: Market,
    where: Selector,
    *,
    observed: Observed | None = None,
    priors: Priors | None = None,
    year_ago: Market | None = None,
) -> Moved:
    """Why the price at which the lots that meet `where` clear moved between two markets.

    Of the market of a year ago only the pounds are shown, next to those of today.
    """
    why = why_market_moved(before, after, where, observed=observed, priors=priors)
    return market_moved(why, before, after, year_ago)


def market_moved(
    why: MarketWhy, before: Market, after: Market, year_ago: Market | None = None
) -> Moved:
    """The answer of a market's move already split; SolverTrouble where its certificate fails."""
    certified = why.certified()
    lots = ", ".join(why.weights)
    certified.must_be_valid(f"split of {lots}")
    sides = sides_of_markets(before, after, why.item)
    since = _since(before.case, after.case)
    now, then = (_pounds(each) for each in (after, year_ago))
    on_year = {name: (now[name], lb) for name, lb in then.items() if name in now}
    return Moved(lots, lots, why.price, since, sides, certified, priors=why.priors, on_year=on_year)


def _pounds(market: Market | None) -> dict[str, float]:
    """Pounds of a market's items and of its products' orders; none of no market."""
    if market is None:
        return {}
    lots = {lot.lot_id: lot.max_lb for lot in market.case.lots}
    return lots | {each.product_id: each.volume_lb for each in market.demands}


def _since(before: Case, after: Case) -> str:
    was, now = before.settings.plan_on, after.settings.plan_on
    return f"on {was:%b} {was.day}" if was.year == now.year else f"on {day(was)}"


# Words -------------------------------------------------------------------------------------------


def share_words(part: Contribution, move: ItemMove) -> str:
    """How much of the model's move one driver accounts for."""
    verb = (
        "accounts"
        if part.driver is Driver.OWN_PRICE or part.driver.endswith("supply")
        else "account"
    )
    share = part.amount / move.next.change if move.next.change else math.inf
    size = cents(abs(part.amount) * LB_PER_CWT)
    if part.low is not None and part.high is not None:
        least, most = sorted(map(abs, (part.low, part.high)))
        size += f", 90% range {_dollars(least)} to {_dollars(most)}"
    name = f"{part.driver}, mostly {part.mostly}," if part.mostly else part.driver
    if share > 1 + 1e-9:
        return f"{name} {verb} for {size}, more than all of"
    amount = "nearly all" if share >= 0.9 else "most" if share > 0.5 else "the largest part"
    return f"{name} {verb} for {amount} ({size}) of"


def unchanged_words(each: Contribution, after: float, item: str, verb: str) -> str:
    """What the value would be now, had one driver stayed as it was."""
    would = (
        f"Had {each.driver} stayed as before, {item} would {verb} "
        f"{cents(each.put_back * LB_PER_CWT)}/cwt"
    )
    if abs(each.put_back - after) < _CENT_USD_PER_LB:
        return f"{would}, the same as now."
    return f"{would} instead of {cents(after * LB_PER_CWT)}."


def _matters(each: Contribution, after: float) -> bool:
    sizes = (each.amount, each.put_back - after, each.standard_error)
    return max(map(abs, sizes)) >= _CENT_USD_PER_LB


def _moved(change: float) -> str:
    if abs(change) < _CENT_USD_PER_LB:
        return "unchanged"
    return f"{'up' if change > 0 else 'down'} {cents(abs(change) * LB_PER_CWT)}"


def _signed(usd_per_lb: float) -> str:
    return f"{round(usd_per_lb * LB_PER_CWT, 2) + 0.0:+,.2f}"


def _dollars(usd_per_lb: float) -> str:
    return cents(round(usd_per_lb * LB_PER_CWT, 2) + 0.0)


def _interval(part: Contribution) -> str:
    if part.low is None or part.high is None:
        return ""
    return f" ({_signed(part.low)} to {_signed(part.high)})"


def pounds_words(part: Contribution, on_year: Mapping[str, tuple[float, float]]) -> str:
    """The pounds behind a driver and the items that make most of it: "3.1% fewer lb, 12.0% under
    last year: I90 +4.99"."""
    was, now = part.pounds_lb
    if not was:
        return ""
    words = f"  {abs(now / was - 1):.1%} {'fewer' if now < was else 'more'} lb"
    ends = [on_year[each.name] for each in part.within if each.name in on_year]
    if len(ends) == len(part.within) and (ago := math.fsum(then for _, then in ends)):
        year = math.fsum(today for today, _ in ends) / ago - 1
        words += f", {abs(year):.1%} {'under' if year < 0 else 'over'} last year"
    largest = [each for each in part.within[:2] if abs(each.amount) >= _CENT_USD_PER_LB]
    listed = ", ".join(f"{each.name} {_signed(each.amount)}" for each in largest)
    return f"{words}: {listed}" if len(part.within) > 1 and listed else words


def priors_words(priors: Priors) -> str:
    """What the errors rest on."""
    return (
        f"Ranges hold 90 of 100 times over {priors.draws:,} draws: pounds and orders off by "
        f"{priors.volume_share:.1%} (standard error), elasticities by "
        f"{priors.elasticity_share:.0%} together and {priors.own_elasticity_share:.0%} each, "
        "demand a straight line or of constant elasticity, the quotes by their own error. A part "
        "counts as measurable where none of all would be by chance, 95 of 100 times."
    )


def _plus_minus(error: float | None) -> str:
    return "" if error is None else f" (±{error * LB_PER_CWT:.2f})"


# Frames ------------------------------------------------------------------------------------------


def parts_frame(move: ItemMove) -> DataFrame:
    """Each driver's part, its standard error, and the value had it alone stayed as it was.

    `last_part_usd_per_cwt` is that of the last pound there is, where it differs from the next
    one's.
    """
    pairs = list(zip(move.next.contributions, move.last.contributions, strict=True))
    differ = any(abs(each.amount - last.amount) >= _CENT_USD_PER_LB for each, last in pairs)
    rows = [
        (
            each.driver,
            each.amount * LB_PER_CWT,
            last.amount * LB_PER_CWT if differ else None,
            *(None if end is None else end * LB_PER_CWT for end in (each.low, each.high)),
            each.put_back * LB_PER_CWT,
            (each.put_back - move.next.after) * LB_PER_CWT,
        )
        for each, last in pairs
    ]
    columns = ("driver", "part_usd_per_cwt", "last_part_usd_per_cwt", "part_low_usd_per_cwt",
               "part_high_usd_per_cwt", "unchanged_usd_per_cwt",
               "difference_usd_per_cwt")  # fmt: skip
    return frame(columns, rows)


POUNDS_NOTE = (
    "Of a driver's part, an item's is the model's slope times the change of its pounds, made to "
    "add up to the driver's. Pounds are those that grinders take; orders are what buyers would "
    "take at the earlier prices. Items whose pounds did not change are left out."
)


def pounds_frame(move: ItemMove, on_year: Mapping[str, tuple[float, float]]) -> DataFrame:
    """By driver, the pounds of each item or product and its part, the largest first; with the
    change on the year where that is known."""
    rows = [
        (
            part.driver,
            each.name,
            each.before_lb,
            each.after_lb,
            _percent_change(each.after_lb, each.before_lb),
            _percent_change(*on_year.get(each.name, (0.0, 0.0))),
            each.amount * LB_PER_CWT,
        )
        for part in move.next.contributions
        for each in part.within
        if each.before_lb != each.after_lb
    ]
    columns = ("driver", "of", "before_lb", "after_lb", "pounds_change_percent",
               "pounds_on_year_percent", "part_usd_per_cwt")  # fmt: skip
    made = frame(columns, rows)
    return made if on_year else made.drop(columns="pounds_on_year_percent")


def _percent_change(now: float, then: float) -> float | None:
    return (now / then - 1) * POINTS_PER_SHARE if then else None


def cost_frame(why: PlanWhy) -> DataFrame:
    """The same of the day's cost, as if combos and batches could be split."""
    rows = [
        (each.driver, each.amount, each.put_back, each.put_back - why.cost.after)
        for each in why.cost.contributions
    ]
    return frame(("driver", "part_usd", "unchanged_usd", "difference_usd"), rows)


def lots_frame(why: PlanWhy) -> DataFrame:
    """Each lot's pounds in 100 finished lb, and its part of the cost's change by price and by
    recipe, the largest first."""
    lots = sorted(
        why.recipe.lots,
        key=lambda each: (-max(abs(each.price_usd), abs(each.recipe_usd)), each.lot_id),
    )
    rows = [
        (each.lot_id, each.before_lb_per_lb * LB_PER_CWT, each.after_lb_per_lb * LB_PER_CWT,
         each.price_usd, each.recipe_usd)
        for each in lots
    ]  # fmt: skip
    columns = ("lot_id", "before_lb_per_cwt", "after_lb_per_cwt", "by_price_usd", "by_recipe_usd")
    return frame(columns, rows)


_NAMES = {
    SideKind.PRICE: "price, $/cwt",
    SideKind.POUNDS: "pounds",
    SideKind.ORDERED: "ordered, lb",
}


def changes_frame(sides: Sides) -> DataFrame:
    """Every cell that differs between the two, by driver, the largest moves first."""
    rows = []
    for driver, cells in sides.items():
        for each in sorted(cells, key=lambda cell: (list(SideKind).index(cell.cell), -_size(cell))):
            what = each.column.replace("_", " ") or _NAMES[each.cell]
            ends = [_end(end, each) for end in (each.before, each.after)]
            rows.append((driver, each.name, what, *ends, _moved_words(each)))
    return frame(("driver", "of", "what", "before", "after", "moved"), rows)


def _size(each: Side) -> float:
    before, after = each.before, each.after
    if isinstance(before, int | float) and isinstance(after, int | float):
        return abs(after - before)
    return math.inf


def _end(end: float | str | None, each: Side) -> str:
    if end is None:
        return "no limit" if each.cell is SideKind.POUNDS else "none"
    if isinstance(end, str):
        return end
    if each.cell is SideKind.PRICE:
        return f"{end * LB_PER_CWT:,.2f}"
    return f"{end:,.10g}" if each.cell is SideKind.OTHER else f"{end:,.0f}"


def _moved_words(each: Side) -> str:
    before, after = each.before, each.after
    if not isinstance(before, int | float) or not isinstance(after, int | float):
        return ""
    change = after - before
    if each.cell is SideKind.PRICE:
        return f"{change * LB_PER_CWT:+,.2f}"
    if each.cell is SideKind.OTHER:
        return f"{change:+,.10g}"
    return f"{change:+,.0f}" + (f" ({change / before:+.1%})" if before else "")
