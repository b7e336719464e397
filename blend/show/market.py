"""What lean, fat and items are worth, as tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from blend.domain.lots import Lot
from blend.domain.replacement import Replacement, ReplacementRules
from blend.show.amounts import lean_percent, percent
from blend.show.shown import (
    Format,
    ShownColumn,
    ShownTable,
    shown_table,
    usd_per_cwt,
    usd_per_cwt_column,
)


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
