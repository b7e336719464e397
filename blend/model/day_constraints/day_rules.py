"""Day rules: what a day may use over all its products; and must-use over all days."""

from __future__ import annotations

import numpy as np

from blend.domain.horizon import DayConstraintClass, DayRequirement, DayRule, DayRuleKind
from blend.domain.requirements import ConstraintClass
from blend.domain.selectors import EVERY_LOT
from blend.model.arrays import Columns, Rows
from blend.model.days import Days, with_room

_CONSTRAINT_CLASS = {
    DayRuleKind.MAX_USED: DayConstraintClass.MAX_USED,
    DayRuleKind.MIN_IF_USED: DayConstraintClass.MIN_IF_USED,
    DayRuleKind.NEEDS: DayConstraintClass.NEEDS,
}


def add(days: Days, columns: Columns, rows: Rows) -> None:
    rules = days.horizon.day_rules
    switching = [rule for rule in rules if rule.kind is not DayRuleKind.MAX_USED]
    for place, day in enumerate(days.days):
        is_used = _add_switches(days, columns, rows, switching, place)
        for rule in rules:
            requirement = DayRequirement(day, _CONSTRAINT_CLASS[rule.kind], rule_id=rule.rule_id)
            _add_rule(days, columns, rows, rule, place, requirement, is_used)
    _add_must_use(days, columns, rows)


def _add_switches(
    days: Days, columns: Columns, rows: Rows, rules: list[DayRule], place: int
) -> dict[int, int]:
    """By lot, the column of a switch that is on when the day uses any of it."""
    sets = with_room(days.sets_list[place])
    switched = [
        days.lot_index[lot.lot_id]
        for lot in sets.lots
        if any(rule.lots.holds(lot) for rule in rules)
    ]
    switches = columns.add(f"is_used_at_all {place}", len(switched), upper=1.0, whole=True)
    use, lot_of_use = days.use_columns(columns, place)
    max_lb = {
        days.lot_index[lot.lot_id]: lot_max_lb
        for lot, lot_max_lb in zip(sets.lots, sets.lot_max_lb.tolist(), strict=True)
    }
    wanted_lb = days.max_wanted_lb(place)
    for lot, is_used in zip(switched, switches, strict=True):
        rows.add(
            DayRequirement(days.days[place], ConstraintClass.MASS, lot_id=days.lots[lot].lot_id),
            [(use[lot_of_use == lot], 1.0), (is_used, -min(max_lb[lot], wanted_lb))],
            upper=0.0,
        )
    return dict(zip(switched, switches.tolist(), strict=True))


def _add_rule(
    days: Days,
    columns: Columns,
    rows: Rows,
    rule: DayRule,
    place: int,
    requirement: DayRequirement,
    is_used: dict[int, int],
) -> None:
    use, lot_of_use = days.use_columns(columns, place)
    chosen = days.chosen(rule.lots)
    if rule.kind is DayRuleKind.MAX_USED:
        rows.add(requirement, [(use[chosen[lot_of_use]], 1.0)], upper=rule.max_lb or 0.0)
        return
    for lot, switch in is_used.items():
        if chosen[lot]:
            by = (
                lot_of_use == lot
                if rule.kind is DayRuleKind.MIN_IF_USED
                else days.chosen(rule.against or EVERY_LOT)[lot_of_use]
            )
            rows.add(requirement, [(use[by], 1.0), (switch, -(rule.min_lb or 0.0))], lower=0.0)


def _add_must_use(days: Days, columns: Columns, rows: Rows) -> None:
    for rule in days.horizon.must_use_rules():
        meant = np.array([days.horizon.means(rule, lot) for lot in days.lots], bool)
        parts = []
        for place, sets in enumerate(days.sets_list):
            use, lot = days.use_columns(columns, place)
            governed = np.array([rule.governs(product) for product in sets.products], bool)
            is_meant = meant[lot] & governed[sets.blends.product[sets.pair_blend]]
            parts.append((use[is_meant], 1.0))
        rows.add(
            DayRequirement(days.days[-1], ConstraintClass.MUST_USE, rule_id=rule.rule_id),
            parts,
            lower=days.horizon.must_use_lb(rule),
        )
