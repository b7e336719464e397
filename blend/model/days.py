"""The index sets of several days: those of each day's blends, and what comes in of each lot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any, overload

import numpy as np

from blend.domain.horizon import DayRequirement, Freezing, Horizon, Receipt, frozen_per_lb
from blend.domain.lots import Lot
from blend.domain.requirements import Requirement
from blend.domain.selectors import Selector
from blend.errors import refusal
from blend.model.arrays import Columns, Numbers, Places, Rows
from blend.model.sets import IndexSets, index_sets


@dataclass(frozen=True)
class Inflow:
    """What can come into a lot's inventory on one day: pounds for each unit of a column, or a fixed
    number of pounds where there is none."""

    lot: int
    place: int
    column: int | None
    lb: float
    last_place: int
    """Of the last planned day on which it may be used; the number of days when it outlasts
    the horizon."""


@dataclass(frozen=True)
class Days:
    """The index sets of each day's blends, and the lots held between days."""

    horizon: Horizon
    sets_list: tuple[IndexSets, ...]

    @property
    def days(self) -> tuple[date, ...]:
        return self.horizon.days

    @property
    def lots(self) -> tuple[Lot, ...]:
        return self.horizon.lots

    @cached_property
    def lot_index(self) -> dict[str, int]:
        return {lot.lot_id: index for index, lot in enumerate(self.lots)}

    @cached_property
    def offers(self) -> tuple[Receipt, ...]:
        """What can be bought, in the order of the columns `buy`."""
        return tuple(receipt for receipt in self.horizon.receipts if receipt.offer_id)

    @cached_property
    def freezable(self) -> tuple[tuple[Lot, Lot], ...]:
        """Fresh lots and what they become, in the order of the columns `freeze`."""
        return tuple(
            (fresh, self.horizon.lot(lot_id)) for lot_id, fresh in self.horizon.fresh_of.items()
        )

    def frozen_per_lb(self, fresh: Lot) -> float:
        """Frozen pounds from one pound of a lot that can be frozen."""
        return frozen_per_lb(fresh, self.freezing(fresh))

    def freezing(self, fresh: Lot) -> Freezing:
        """How the cooler of a lot that can be frozen freezes it."""
        freezer = self.horizon.freezer_of(fresh)
        assert freezer is not None and freezer.freezing is not None
        return freezer.freezing

    def chosen(self, selector: Selector) -> np.ndarray:
        """Boolean mask over lots of those that match."""
        return np.fromiter((selector.holds(lot) for lot in self.lots), bool, len(self.lots))

    @overload
    def at(self, lot: int, place: int) -> int: ...
    @overload
    def at(self, lot: np.ndarray, place: np.ndarray | int) -> np.ndarray: ...
    @overload
    def at(self, lot: int, place: np.ndarray) -> np.ndarray: ...
    def at(self, lot: Any, place: Any) -> Any:
        """Index of a lot on a day within the columns `stock` and `waste`."""
        return lot * len(self.days) + place

    def use_columns(self, columns: Columns, place: int) -> tuple[np.ndarray, np.ndarray]:
        """The columns of one day's uses, and the lot of each."""
        sets = self.sets_list[place]
        lot = np.array([self.lot_index[each.lot_id] for each in sets.lots], int)
        return columns[f"use {place}"], lot[sets.pair_lot]

    def max_wanted_lb(self, place: int) -> float:
        """An upper bound on the pounds that a day's products can use (a big-M)."""
        sets = with_room(self.sets_list[place])
        finished_lb = float(sets.max_blend_lb.sum())
        return finished_lb / sets.kept_mass.min(initial=1.0)

    def last_place(self, last_day: date | None) -> int:
        count = len(self.days)
        if last_day is None or last_day >= self.horizon.after(count - 1):
            return count
        return sum(day <= last_day for day in self.days) - 1

    def inflows(self, columns: Columns) -> list[Inflow]:
        """Opening inventory, what is bought and what is frozen."""
        buy = dict(zip(self.offers, columns["buy"].tolist(), strict=True))
        inflows = [
            Inflow(
                lot=self.lot_index[receipt.lot_id],
                place=receipt.place,
                column=buy.get(receipt),
                lb=1.0 if receipt in buy else receipt.max_lb,
                last_place=self.last_place(receipt.last_day),
            )
            for receipt in self.horizon.receipts
        ]
        for index, (fresh, frozen) in enumerate(self.freezable):
            for place, day in enumerate(self.days):
                inflows.append(
                    Inflow(
                        lot=self.lot_index[frozen.lot_id],
                        place=place,
                        column=int(columns["freeze"][self.at(index, place)]),
                        lb=self.frozen_per_lb(fresh),
                        last_place=self.last_place(self.horizon.keeps_until(frozen, day)),
                    )
                )
        return inflows


def lay_out_days(horizon: Horizon) -> Days:
    """Index sets of every day. Raises InputRefused for a case with added constraints, which are
    on a single day."""
    if horizon.case.constraints:
        name = horizon.case.constraints[0].name
        hint = "Plan a single day, or leave the constraint out."
        wrong = "added constraints do not apply to a plan of several days"
        raise refusal("constraints", name, wrong, "", hint)
    return Days(horizon, tuple(index_sets(case) for case in horizon.day_cases))


ROOM = 1.0001
"""Every big-M is this much wider than stated, so that an order or an offer can be moved a little
to get its shadow price."""


def with_room(sets: IndexSets) -> IndexSets:
    """The index sets with slightly more of every lot and of every order."""
    return replace(sets, room=ROOM)


@dataclass
class DayColumns:
    """One day's part of the columns, so that the constraints of the one-day model can add to it as
    if the day were alone."""

    columns: Columns
    place: int

    def add(self, name: str, size: int, **more: Any) -> np.ndarray:
        return self.columns.add(f"{name} {self.place}", size, **more)

    def __getitem__(self, name: str) -> np.ndarray:
        return self.columns[f"{name} {self.place}"]


@dataclass
class DayRows:
    """One day's part of the rows: every requirement becomes that day's."""

    rows: Rows
    day: date

    def add(
        self,
        requirement: Requirement,
        parts: Iterable[tuple[Places, Numbers]],
        lower: float = -np.inf,
        upper: float = np.inf,
    ) -> None:
        self.rows.add(self._of_day(requirement), parts, lower, upper)

    def add_block(
        self,
        requirements: Sequence[Requirement],
        parts: Iterable[tuple[Places, Places, Numbers]],
        lower: Numbers = -np.inf,
        upper: Numbers = np.inf,
    ) -> None:
        self.rows.add_block([self._of_day(each) for each in requirements], parts, lower, upper)

    def _of_day(self, requirement: Requirement) -> DayRequirement:
        return DayRequirement(
            self.day,
            requirement.constraint_class,
            requirement.product_id,
            requirement.lot_id,
            requirement.rule_id,
        )
