"""A move, one driver at a time: what it was before and after, its part, what it undoes, and what
is taken as given."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from blend.reporter.clearing import MarketWhy
from blend.reporter.explained import Contribution, ItemMove
from blend.reporter.headline import headline_of
from blend.reporter.mixed import Driver
from blend.reporter.sides import Cell, Side, Sides
from blend.reporter.why import PlanWhy
from blend.show.amounts import count_of, number_words, percent
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.why import (
    CAUTION,
    counterfactual_line,
    headline_line,
    lots_words,
    model_title,
    plus_minus,
    signed,
    unexplained_lines,
)
from blend.units import LB_PER_CWT

_MIN_USD_PER_LB = 0.005 / LB_PER_CWT
_MAX_ROWS = 40
OF_A_PLAN: Mapping[Driver, str] = {
    Driver.OWN_PRICE: "The prices of both tables are taken as exact.",
    Driver.OTHER_PRICES: "The prices of both tables are taken as exact.",
    Driver.FRESH_SUPPLY: "Pounds are those that this plant was offered or holds, as stated.",
    Driver.IMPORTED_SUPPLY: (
        "Pounds are those that this plant was offered or holds, as stated."
    ),
    Driver.ORDERS: "Orders are taken as stated, whatever they cost to fill.",
    Driver.RULES: "A rule binds to the last pound; what it costs is what it costs this plan.",
}
"""What stands behind a driver's part of one plant's plan."""
OF_A_MARKET: Mapping[Driver, str] = {
    Driver.OWN_SUPPLY: "Of an item's pounds the same share goes to grinders on both days.",
    Driver.FRESH_SUPPLY: "Of an item's pounds the same share goes to grinders on both days.",
    Driver.IMPORTED_SUPPLY: (
        "Of an item's pounds the same share goes to grinders on both days; what lands is what is"
        " used."
    ),
    Driver.ORDERS: (
        "A product's demand moves with its volume and bends by the elasticity given to the model,"
        " which is not estimated."
    ),
    Driver.RULES: "Rules bind every grinder alike.",
}
"""What stands behind a driver's part of a clearing price."""


@dataclass(frozen=True, slots=True)
class Step:
    """One driver: its part in short, what is said of it, and what of it differs."""

    name: str
    part: str
    lines: tuple[str, ...]
    table: ShownTable


@dataclass(frozen=True, slots=True)
class Steps:
    """A move to step through, and its end: the sum, the certificate, what to quote."""

    title: str
    headline: str
    """The cause that may be named, or why none is."""
    subject: str
    steps: tuple[Step, ...]
    sum_table: ShownTable
    end_lines: tuple[str, ...]
    quotable: tuple[str, ...]


def plan_steps(why: PlanWhy, sides: Sides, certificate_line: str) -> Steps:
    lot = why.reference
    subject = f"the next pound of {lot.item}"
    return _steps(why.value, lot.item, sides, subject, "be worth", OF_A_PLAN, certificate_line)


def market_steps(why: MarketWhy, sides: Sides, certificate_line: str) -> Steps:
    item = lots_words(why)
    return _steps(why.price, item, sides, item, "clear at", OF_A_MARKET, certificate_line)


def _steps(
    move: ItemMove,
    item: str,
    sides: Sides,
    subject: str,
    verb: str,
    taken: Mapping[Driver, str],
    certificate_line: str,
) -> Steps:
    level, made = move.next.before, []
    for each, twin in zip(move.next.contributions, move.last.contributions, strict=True):
        lines = (
            _part_line(each, move, level),
            *_degenerate_lines(each, twin),
            counterfactual_line(each, move.next.after, subject, verb),
            f"Taken as given: {taken[each.driver]}",
        )
        name = each.driver.capitalize()
        table = sides_table(each.driver, sides[each.driver])
        made.append(Step(name, _part_words(each), lines, table))
        level += each.amount
    headline = headline_line(move, item)
    driver = headline_of(move).driver
    quotable = [headline]
    if driver is not None:
        quotable += [counterfactual_line(driver, move.next.after, subject, verb), CAUTION]
    return Steps(
        model_title(move, f"{subject[0].upper()}{subject[1:]}, driver by driver"),
        headline,
        subject,
        tuple(made),
        sum_table(move),
        (_sum_line(move), *unexplained_lines(move), CAUTION, certificate_line),
        tuple(quotable),
    )


def _part_words(each: Contribution) -> str:
    return signed(each.amount) if abs(each.amount) >= _MIN_USD_PER_LB else "no part"


def _part_line(each: Contribution, move: ItemMove, level: float) -> str:
    change = move.next.change
    if abs(each.amount) < _MIN_USD_PER_LB and not each.standard_error:
        return f"It has no part in the move of {signed(change)}."
    line = f"Its part of the move is {signed(each.amount)}{plus_minus(each.standard_error or None)}"
    if each.standard_error:
        line += ", one standard error"
    if abs(change) >= _MIN_USD_PER_LB:
        line += f"; that is {percent(round(each.amount / change, 3))} of {signed(change)}"
    ends = (number_words(end * LB_PER_CWT, min_decimals=2) for end in (level, level + each.amount))
    return f"{line}. In the picture it goes from {' to '.join(ends)}."


def _degenerate_lines(each: Contribution, twin: Contribution) -> list[str]:
    if abs(each.amount - twin.amount) < _MIN_USD_PER_LB:
        return []
    return [f"Of the last pound there is, its part is {signed(twin.amount)}."]


# What it was -------------------------------------------------------------------------------------

_IN = {Cell.PRICE: "USD/cwt", Cell.POUNDS: "lb", Cell.ORDERED: "finished lb", Cell.OTHER: ""}


def sides_table(driver: Driver, sides: Sequence[Side]) -> ShownTable:
    """The cells that differ by one driver, the largest moves of pounds and prices first."""
    columns = (
        ShownColumn("Of"),
        ShownColumn("What"),
        ShownColumn("Before", "", Format.READING),
        ShownColumn("After", "", Format.READING),
        ShownColumn("Moved", "", Format.READING),
    )
    shown = sorted(sides, key=lambda each: (list(Cell).index(each.cell), -_size(each), each.name))
    rows = [
        (each.name, _what(each), _text(each.before, each), _text(each.after, each), _moved(each))
        for each in shown[:_MAX_ROWS]
    ]
    hidden = len(shown) - len(rows)
    note = f"{count_of(hidden, 'cell')} that moved less are not shown." if hidden > 0 else ""
    if not rows:
        note = "Nothing of it differs between the two."
    return shown_table(f"What {driver} was", columns, rows, f"{note} {_sums(sides)}".strip())


def _size(each: Side) -> float:
    both = (each.before, each.after)
    if any(not isinstance(end, int | float) for end in both):
        return math.inf
    return abs(each.after - each.before)


def _what(each: Side) -> str:
    if each.cell is Cell.OTHER:
        return each.column.replace("_", " ")
    return f"{each.cell}, {_IN[each.cell]}"


def _text(end: float | str | None, each: Side) -> str:
    if end is None:
        return "no limit" if each.cell is Cell.POUNDS else "none"
    if isinstance(end, str):
        return end
    match each.cell:
        case Cell.PRICE:
            return number_words(end * LB_PER_CWT, min_decimals=2)
        case Cell.OTHER:
            return number_words(end, max_decimals=4)
    return number_words(end, max_decimals=0)


def _moved(each: Side) -> str:
    if _size(each) == math.inf:
        return ""
    change = each.after - each.before
    if each.cell is Cell.OTHER:
        return f"{change:+,.4g}"
    if each.cell is Cell.PRICE:
        return f"{change * LB_PER_CWT:+,.2f}"
    return f"{change:+,.0f}" + (f" ({change / each.before:+.1%})" if each.before else "")


def _sums(sides: Sequence[Side]) -> str:
    words = []
    for cell in (Cell.POUNDS, Cell.ORDERED):
        own = [each for each in sides if each.cell is cell and _size(each) < math.inf]
        if len(own) > 1:
            change = math.fsum(each.after - each.before for each in own)
            words.append(f"Together {change:+,.0f} {_IN[cell]}.")
    return " ".join(words)


# The end -----------------------------------------------------------------------------------------


def sum_table(move: ItemMove) -> ShownTable:
    """From before to after: every part, and the sum so far."""
    has_errors = any(each.standard_error for each in move.next.contributions)
    columns = [
        ShownColumn("Driver"),
        usd_per_cwt_column("Part"),
        *([usd_per_cwt_column("±")] if has_errors else []),
        usd_per_cwt_column("Had it stayed"),
        usd_per_cwt_column("Sum so far"),
    ]

    def row(name: str, amount, error, stayed, level: float) -> tuple:
        cells = [name, amount, *([error] if has_errors else []), stayed, level]
        return tuple(each * LB_PER_CWT if isinstance(each, int | float) else each for each in cells)

    level = move.next.before
    rows = [row("before", None, None, None, level)]
    for each in move.next.contributions:
        level += each.amount
        rows.append(row(each.driver, each.amount, each.standard_error, each.put_back, level))
    rows.append(row("after", None, None, None, move.next.after))
    note = "Had it stayed: the value after, with this driver alone as it was before."
    if has_errors:
        note += " ± is one standard error."
    return shown_table(model_title(move, "The parts and their sum"), columns, rows, note)


def _sum_line(move: ItemMove) -> str:
    total = math.fsum(each.amount for each in move.next.contributions)
    off = abs(total - move.next.change) * LB_PER_CWT
    return (
        f"The parts add up to {signed(total)}, the model's move is {signed(move.next.change)};"
        f" they differ by at most {number_words(max(off, 1e-6), max_decimals=6)} USD/cwt."
    )
