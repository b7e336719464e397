"""What lean, fat and items are worth, as tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from blend.domain.lots import Lot
from blend.domain.replacement import Replacement, ReplacementRules
from blend.show.amounts import lean_percent, number_words, percent, printable
from blend.show.shown import (
    Cell,
    Format,
    ShownColumn,
    ShownTable,
    shown_table,
    usd_per_cwt,
    usd_per_cwt_column,
)
from blend.trader.lean_fat import (
    Bend,
    DayValue,
    LeanLine,
    Standing,
)
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_CENTS_PER_USD = 100


def value_tables(value: DayValue) -> list[ShownTable]:
    """One day of one species: lean and fat, items against the line, lean off its nominal."""
    return [lean_fat_table(value), items_table(value), off_lean_table(value)]


def lean_fat_table(value: DayValue) -> ShownTable:
    columns = (
        ShownColumn("From"),
        usd_per_cwt_column("Lean"),
        usd_per_cwt_column("±"),
        usd_per_cwt_column("Fat"),
        usd_per_cwt_column("±"),
        usd_per_cwt_column("Lean minus fat"),
        usd_per_cwt_column("±"),
        ShownColumn("A lean point", "¢/lb", Format.HUNDREDTHS),
    )
    leanest, fattest = value.pair
    pair = f"{leanest.item} and {fattest.item}, solved exactly"
    rows = [
        (name, *_line_cells(line), line.point_usd_per_lb * _CENTS_PER_USD)
        for name, line in ((pair, value.two_items), (value.fitted.method, value.fitted))
    ]
    scale = value.fitted.scale_usd_per_lb
    basis = (
        "Too few items for standard errors."
        if scale is None
        else f"± is one standard error, from {number_words(scale * LB_PER_CWT)} USD/cwt of scatter"
        " of one quotation about the line, errors taken as independent."
    )
    below = (
        " A fat price below zero is what the identity price = lean + fat leaves for fat, not a"
        " price at which fat trades."
        if min(value.two_items.fat_usd_per_lb, value.fitted.fat_usd_per_lb) < 0
        else ""
    )
    title = f"Lean and fat apart: {value.species}, {value.quoted_on}"
    return shown_table(title, columns, rows, f"{basis}{below}{_bend_words(value.bend)}")


def _line_cells(line: LeanLine) -> list[Cell]:
    return [
        usd_per_cwt(usd)
        for usd in (
            line.lean_usd_per_lb,
            line.lean_error_usd_per_lb,
            line.fat_usd_per_lb,
            line.fat_error_usd_per_lb,
            line.spread_usd_per_lb,
            line.spread_error_usd_per_lb,
        )
    ]


def _bend_words(bend: Bend | None) -> str:
    if bend is None:
        return ""
    at_fattest, at_leanest, error = (
        f"{number_words(usd * _CENTS_PER_USD, min_decimals=2)} ¢"
        for usd in (
            bend.point_at_fattest_usd_per_lb,
            bend.point_at_leanest_usd_per_lb,
            bend.error_usd_per_lb,
        )
    )
    if abs(bend.difference_usd_per_lb) < 2 * bend.error_usd_per_lb:
        verdict = "no bend beyond the scatter"
    elif bend.difference_usd_per_lb > 0:
        verdict = "convex: the leanest points are paid for most, lean is scarce beside fat"
    else:
        verdict = "concave: the leanest points are paid for least, lean is plentiful"
    return (
        f" Along a parabola a lean point is worth {at_fattest} at the fattest item and"
        f" {at_leanest} at the leanest (difference ± {error}): {verdict}."
    )


def items_table(value: DayValue) -> ShownTable:
    columns = (
        ShownColumn("Item"),
        ShownColumn("Form"),
        ShownColumn("Lean", "", Format.READING),
        usd_per_cwt_column("Price"),
        ShownColumn("Per cwt of its lean", "USD", Format.HUNDREDTHS),
        usd_per_cwt_column("Line"),
        usd_per_cwt_column("Distance"),
        usd_per_cwt_column("±"),
        ShownColumn("It is"),
    )
    rows = [
        (
            each.label if each.is_fitted else f"{each.label} (not fitted)",
            each.quotation.fresh_or_frozen,
            lean_percent(each.quotation.lean),
            usd_per_cwt(each.quotation.usd_per_lb),
            usd_per_cwt(each.usd_per_lean_lb),
            usd_per_cwt(each.line_usd_per_lb),
            usd_per_cwt(each.distance_usd_per_lb),
            usd_per_cwt(each.error_usd_per_lb),
            each.standing,
        )
        for each in sorted(value.items, key=lambda each: -each.quotation.lean)
    ]
    note = (
        "Line: the fitted one. Rich or cheap: two standard errors off it. An item held against"
        " the line but not fitted bears the line's error as well."
    )
    return shown_table(f"Items against the line: {value.species}", columns, rows, note)


def off_lean_table(value: DayValue) -> ShownTable:
    """Both ways of adjusting a price to the lean found, side by side."""
    columns = (
        ShownColumn("Item"),
        ShownColumn("Lean", "", Format.READING),
        usd_per_cwt_column("Price"),
        usd_per_cwt_column("One point under, by proportion"),
        usd_per_cwt_column("One point under, by slope"),
    )
    rows = []
    for each in sorted(value.items, key=lambda each: -each.quotation.lean):
        price, nominal = each.quotation.usd_per_lb, each.quotation.lean
        by_proportion, by_slope = value.off_lean(each.quotation, nominal - 1 / POINTS_PER_SHARE)
        rows.append(
            (
                each.label,
                lean_percent(nominal),
                usd_per_cwt(price),
                usd_per_cwt(by_proportion),
                usd_per_cwt(by_slope),
            )
        )
    note = (
        "Two customs, of which the contract names one; they are never mixed. By proportion the"
        " lean bears the whole price; by slope a point costs what it is worth on the line."
    )
    return shown_table("When a lot tests one lean point under its nominal", columns, rows, note)


def spreads_table(days: Sequence[DayValue]) -> ShownTable:
    """Lean, fat and their difference through time."""
    columns = (
        ShownColumn("Day"),
        ShownColumn("Species"),
        usd_per_cwt_column("Two items: lean"),
        usd_per_cwt_column("fat"),
        usd_per_cwt_column("lean minus fat"),
        usd_per_cwt_column("All items: lean"),
        usd_per_cwt_column("fat"),
        usd_per_cwt_column("lean minus fat"),
        usd_per_cwt_column("±"),
    )
    rows = [
        (
            day.quoted_on,
            day.species,
            *(
                usd_per_cwt(usd)
                for line in (day.two_items, day.fitted)
                for usd in (line.lean_usd_per_lb, line.fat_usd_per_lb, line.spread_usd_per_lb)
            ),
            usd_per_cwt(day.fitted.spread_error_usd_per_lb),
        )
        for day in days
    ]
    return shown_table("Lean minus fat through time", columns, rows)


def replacements_table(
    replacements: Iterable[Replacement], lots: Mapping[str, Lot], rules: ReplacementRules
) -> ShownTable:
    columns = (
        ShownColumn("Item"),
        ShownColumn(""),
        ShownColumn("Lean", "", Format.READING),
        usd_per_cwt_column("Own price"),
        usd_per_cwt_column("Replaced for"),
        usd_per_cwt_column("Own above"),
        ShownColumn("By, lb per lb"),
    )
    rows = []
    for each in sorted(replacements, key=_dearest_first):
        lot = lots[each.lot_id]
        mix = " + ".join(f"{part.lb_per_lb:.3f} {part.lot_id}" for part in each.mix)
        rows.append(
            (
                each.lot_id,
                lot.item if lot.item != each.lot_id else lot.fresh_or_frozen,
                lean_percent(lot.lean),
                usd_per_cwt(each.own_usd_per_lb),
                "by none" if each.usd_per_lb is None else usd_per_cwt(each.usd_per_lb),
                usd_per_cwt(each.own_above_usd_per_lb),
                mix,
            )
        )
    note = (
        "The cheapest mix of the others with the same lean and weight after losses,"
        f" {_rules_words(rules)}. Pounds on offer do not count. Where own is above, the mix does"
        " the same for less."
    )
    return shown_table("What items are replaced for", columns, rows, note)


def _dearest_first(replacement: Replacement) -> tuple[bool, float, str]:
    above = replacement.own_above_usd_per_lb
    return above is None, -(above or 0.0), replacement.lot_id


def _rules_words(rules: ReplacementRules) -> str:
    words = ["of the same species"]
    if str(rules.among):
        words.append(f"among those with {rules.among}")
    if rules.keep_label_claims:
        words.append("carrying its programs")
    if rules.max_share < 1:
        words.append(f"at most {percent(rules.max_share)} of one item")
    return ", ".join(words)


# What a page tells beside the tables --------------------------------------------------------------


def value_cards(value: DayValue) -> list[tuple[str, str]]:
    """Lean, fat, their difference and a lean point as name and reading, of the fitted line."""
    line = value.fitted
    return [
        ("Lean, USD/cwt", _with_error(line.lean_usd_per_lb, line.lean_error_usd_per_lb)),
        ("Fat, USD/cwt", _with_error(line.fat_usd_per_lb, line.fat_error_usd_per_lb)),
        (
            "Lean minus fat, USD/cwt",
            _with_error(line.spread_usd_per_lb, line.spread_error_usd_per_lb),
        ),
        ("A lean point, ¢/lb", _two_decimals(line.point_usd_per_lb * _CENTS_PER_USD)),
    ]


def _with_error(usd_per_lb: float, error_usd_per_lb: float | None) -> str:
    price = _two_decimals(usd_per_lb * LB_PER_CWT)
    if error_usd_per_lb is None:
        return price
    return f"{price} ± {_two_decimals(error_usd_per_lb * LB_PER_CWT)}"


def _two_decimals(number: float) -> str:
    return f"{round(number, 2) + 0.0:,.2f}"


def standing_lines(value: DayValue) -> list[str]:
    """Which items are rich and which are cheap, each with its distance, farthest first."""
    lines = []
    for standing, side in ((Standing.RICH, "above"), (Standing.CHEAP, "below")):
        off = [item for item in value.items if item.standing is standing]
        if off:
            off.sort(key=lambda item: -abs(item.distance_usd_per_lb))
            words = ", ".join(
                f"{item.label} by {_two_decimals(abs(item.distance_usd_per_lb) * LB_PER_CWT)}"
                for item in off
            )
            lines.append(f"{standing.capitalize()}, {side} the line in USD/cwt: {words}.")
    if not lines:
        is_open = all(item.standing is Standing.OPEN for item in value.items)
        lines.append(
            "Too few items to tell which are rich or cheap."
            if is_open
            else "No item lies two standard errors off the line."
        )
    return [printable(line) for line in lines]
