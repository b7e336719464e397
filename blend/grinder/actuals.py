"""Plan against actual: the filled-in work order read back, and what yield, lean and meat cost came
to next to the plan."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.rules import kept_per_lb
from blend.errors import FileTrouble, InputRefused, Problem, refusal
from blend.grinder.odds import ASSUMPTION, Errors, errors_of
from blend.grinder.plan_workbook import inputs_digest
from blend.grinder.work_order import BATCH_BLANKS, LINE_BLANKS
from blend.grinder.work_order_sheets import RUN_ORDER
from blend.model.shadow_prices import marginal_costs_of
from blend.model.solve import open_linear
from blend.model.solver import Outcome
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import Format, counted, format_of, money, number, printable, register
from blend.output.frames import DataFrame

if TYPE_CHECKING:
    from blend.lean.batch_evidence import LotsAfter

register(
    {
        "planned_yield_percent": Format("Plan yield", "%", 1),
        "planned_meat_usd": Format("Plan meat", "$", 0, is_summed=True),
        "actual_meat_usd": Format("Actual meat", "$", 0, is_summed=True),
        "planned_lean_percent": Format("Plan lean", "%", 2),
        "tested_lean_percent": Format("Tested", "%", 2),
        "giveaway_points": Format("Giveaway", "points", 2, is_signed=True),
        "giveaway_usd": Format("Giveaway", "$", 0, is_summed=True, is_signed=True),
        "moved_points": Format("Moved", "points", 2, is_signed=True),
        "by_batches_error_points": Format("Std. error", "points", 2),
        "over_plan_lb": Format("Over plan", "lb", 0, is_signed=True),
    }
)
_LINES, _BATCHES = ("lot_id", "planned_lb", *LINE_BLANKS), ("finished_lb", *BATCH_BLANKS)
_MAX_FAT_PERCENT = 100.0
_MORE = "More: --lots (lean of the lots, by their batches)"
Row = Mapping[str, Any]


@dataclass(frozen=True)
class Actuals(Answer):
    """A day's work order as it came back. Only lots with an actual weight are compared, and only
    batches with a tested fat have a giveaway."""

    case: Case
    weighed: DataFrame
    """One row for each lot of each batch: product_id, batch, lot_id, planned_lb, actual_lb."""
    batches: DataFrame
    """One row for each batch: product_id, batch, finished_lb and what was written in."""
    is_same_input: bool
    """Whether the tables are still those that the work order was printed from."""

    @cached_property
    def products(self) -> DataFrame:
        """Plan and actual for each product."""

        values = _usd_per_point_lb(self.case)
        of = self.weighed.groupby("product_id", sort=False)
        shown = DataFrame(
            [
                self._product(str(product_id), rows, values.get(str(product_id)))
                for product_id, rows in of
            ]
        )
        return shown.astype(dict.fromkeys(shown.columns[1:], float))

    def _product(self, product_id: str, rows: DataFrame, usd: float | None) -> dict[str, Any]:
        product = self.case.product(product_id)
        recipe = [
            (lb, *kept_per_lb(self.case.lot(lot_id), product, self.case.losses))
            for lot_id, lb in zip(rows["lot_id"], rows["planned_lb"], strict=True)
        ]
        into_plan_lb = sum(lb for lb, _, _ in recipe)
        finished_lb = sum(lb * (lean + fat) for lb, lean, fat in recipe)
        lean_lb = sum(lb * lean for lb, lean, _ in recipe)
        weighed = rows[rows["actual_lb"].notna()]
        price = [self.case.lot(lot_id).cost_usd_per_lb for lot_id in weighed["lot_id"]]
        planned_lb, actual_lb = weighed["planned_lb"], weighed["actual_lb"]
        planned_lean = 100 * lean_lb / finished_lb if finished_lb else None
        own = self.batches[self.batches["product_id"] == product_id]
        out = own[own["weighed_out_lb"].notna()]
        into = weighed[weighed["batch"].isin(out["batch"])]
        into_lb = into["actual_lb"].sum()
        tested = own[own["tested_fat_percent"].notna()]
        tested_lb = float(tested["finished_lb"].sum())
        lean = points = None
        if tested_lb and planned_lean is not None:
            fat = float((tested["tested_fat_percent"] * tested["finished_lb"]).sum()) / tested_lb
            lean, points = 100 - fat, 100 - fat - planned_lean
        given = points is not None and usd is not None
        return {
            "product": printable(product.name),
            "planned_lb": planned_lb.sum(),
            "actual_lb": actual_lb.sum(),
            "over_plan_lb": actual_lb.sum() - planned_lb.sum(),
            "planned_yield_percent": 100 * finished_lb / into_plan_lb if into_plan_lb else None,
            "yield_percent": 100 * out["weighed_out_lb"].sum() / into_lb if into_lb else None,
            "planned_lean_percent": planned_lean,
            "tested_lean_percent": lean,
            "giveaway_points": points,
            "giveaway_usd": (points or 0) * (usd or 0) * tested_lb if given else None,
            "planned_meat_usd": float((planned_lb * price).sum()),
            "actual_meat_usd": float((actual_lb * price).sum()),
        }

    @cached_property
    def done(self) -> DataFrame:
        """Lots of batches with any actual weight, or weighed out; `into_lb` is what went in, as
        planned where a box of such a batch was left blank."""
        done = set(self.weighed.loc[self.weighed["actual_lb"].notna(), "batch"])
        done |= set(written(self.batches, "weighed_out_lb"))
        own = self.weighed[self.weighed["batch"].isin(done)]
        return own.assign(into_lb=own["actual_lb"].fillna(own["planned_lb"]))

    def lots_after(self, errors: Errors) -> LotsAfter:
        """Lean of the lots with what their batches tested."""
        from blend.lean.batch_evidence import TestedBatch, lots_after

        fat_percent = written(self.batches, "tested_fat_percent")
        tested = [
            TestedBatch(
                product_id,
                into,
                1 - fat_percent[batch] / 100,
                errors.constraint(product_id, 0.5).batch.variance ** 0.5,
            )
            for product_id, batch, into in each_batch(self.done)
            if batch in fat_percent
        ]
        return lots_after(self.case, errors.lots, tested)

    @cached_property
    def lots(self) -> DataFrame:
        """Lean of the lots used, as stated and with what their batches tested."""

        after = self.lots_after(errors_of(self.case, {}))
        used = [lot for lot in self.case.lots if lot.lot_id in set(self.done["lot_id"])]
        return DataFrame(
            {
                "lot_id": lot.lot_id,
                "item": printable(lot.item),
                "stated_percent": 100 * lot.lean,
                "by_batches_percent": 100 * after.lean[lot.lot_id],
                "moved_points": 100 * (after.lean[lot.lot_id] - lot.lean),
                "by_batches_error_points": 100 * after.errors[lot.lot_id].whole_error_share,
            }
            for lot in used
            if lot.lot_id in after.lean
        )

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        return {"products": self.products, "lots": self.weighed, "batches": self.batches,
                "lots_lean": self.lots}  # fmt: skip

    @property
    def figures(self) -> Mapping[str, Any]:
        products = self.products
        return {
            "planned_meat_usd": float(products["planned_meat_usd"].sum()),
            "actual_meat_usd": float(products["actual_meat_usd"].sum()),
            "giveaway_usd": float(products["giveaway_usd"].astype(float).sum()),
            "lots_not_weighed": int(self.weighed["actual_lb"].isna().sum()),
            "batches_not_tested": int(self.batches["tested_fat_percent"].isna().sum()),
        }

    @property
    def headline(self) -> str:
        """Meat cost against plan, and what lean came to."""
        figures = self.figures
        over_usd = figures["actual_meat_usd"] - figures["planned_meat_usd"]
        given_usd = figures["giveaway_usd"]
        lean = (
            f"Leaner than planned cost {money(given_usd)} (giveaway)."
            if given_usd >= 0
            else f"Fatter than planned saved {money(-given_usd)}; check the batches against spec."
        )
        return (
            f"Meat {money(figures['actual_meat_usd'])} against {money(figures['planned_meat_usd'])}"
            f" planned: {money(abs(over_usd))} {'over' if over_usd >= 0 else 'under'}. {lean}"
        )

    def screen(self, sections: Collection[str] = ()) -> str:
        weights = ["product", "planned_lb", "actual_lb", "over_plan_lb"]
        weights += ["planned_yield_percent", "yield_percent"]
        leans = ["product", "planned_lean_percent", "tested_lean_percent", "giveaway_points"]
        more = "" if {"lots", "all"} & set(sections) else _MORE
        return "\n\n".join(
            filter(
                None,
                (
                    screen.wrapped(self.headline),
                    screen.table(self.products, weights, title="Weights"),
                    screen.table(
                        self.products,
                        [*leans, "giveaway_usd"],
                        title="Lean",
                        note="Giveaway: tested lean less planned lean, at what one point leaner"
                        " costs as if combos could be split. Below zero: fatter than planned.",
                    ),
                    self._lots_block() if {"lots", "all"} & set(sections) else "",
                    "\n".join(filter(None, [screen.watch(self.warnings()), more])),
                ),
            )
        )

    def _lots_block(self) -> str:
        if not len(self.lots):
            return "No batch has a tested fat: nothing new on the lots' lean."
        return screen.table(
            self.lots,
            title="Lean of the lots, by their batches",
            note=f"Stated lean with an error of {ASSUMPTION}, moved by the batches tested."
            " blend plan --after plans the rest of the day with it.",
        )

    def warnings(self) -> Iterator[str]:
        figures = self.figures
        if figures["lots_not_weighed"]:
            lines = counted(figures["lots_not_weighed"], "line")
            yield f"{lines} without an actual weight: left out of plan and actual alike."
        if figures["batches_not_tested"]:
            batches = counted(figures["batches_not_tested"], "batch", "batches")
            yield f"{batches} without a tested fat: not in the giveaway."
        if not self.is_same_input:
            yield "The tables changed since the work order was printed: prices may differ."


def each_batch(own: DataFrame) -> Iterator[tuple[str, Any, dict[str, float]]]:
    """Product, batch and pounds of each lot in it."""
    for (product_id, batch), rows in own.groupby(["product_id", "batch"], sort=False):
        yield str(product_id), batch, dict(zip(rows["lot_id"], rows["into_lb"], strict=True))


def written(batches: DataFrame, column: str) -> dict[Any, float]:
    """By batch, where something was written in."""
    filled = batches[batches[column].notna()]
    return dict(zip(filled["batch"], filled[column].tolist(), strict=True))


def _usd_per_point_lb(case: Case) -> dict[str, float]:
    """What a finished pound costs one lean point leaner, by product, where the relaxation says."""
    linear = open_linear(case)
    answer = linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return {}
    sets = linear.model.sets
    finished = answer.x[linear.model.names["finished"]]
    made_lb: dict[str, float] = {}
    for of, lb in zip(sets.blends.product, finished, strict=True):
        product_id = sets.products[of].product_id
        made_lb[product_id] = made_lb.get(product_id, 0.0) + float(lb)
    return {
        cost.product_id: cost.leaner_point_usd / made_lb[cost.product_id]
        for cost in marginal_costs_of(linear, answer)
        if isfinite(cost.leaner_point_usd) and made_lb.get(cost.product_id, 0) > 1
    }


def read_actuals(case: Case, path: Path) -> Actuals:
    """Read a filled-in work order (.xlsx). Raises InputRefused with every cell that is wrong."""
    from openpyxl import load_workbook

    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except Exception as error:  # openpyxl raises many kinds for what is no workbook
        raise FileTrouble(f"{path}: not a workbook that can be read ({error})") from error
    if RUN_ORDER not in book.sheetnames:
        raise refusal(path.name, None, "no work order", "a file of blend plan --work-order")
    problems: list[Problem] = []
    weighed: list[Row] = []
    batches: list[Row] = []
    stamps: set[str] = set()
    for sheet in book.worksheets:
        cells = [list(row) for row in sheet.iter_rows(values_only=True)]
        if len(cells) > 1 and cells[1]:
            stamps.add(str(cells[1][0]))
        if sheet.title == RUN_ORDER:
            continue
        place = f"{path.name}, sheet {sheet.title}"
        product_id = next((p.product_id for p in case.products if p.product_id == sheet.title), "")
        if not product_id:
            problems.append(Problem(place, None, None, "no such product", "a product_id"))
            continue
        lots = {lot.lot_id for lot in case.lots}
        for at, row in _rows(cells, _LINES):
            if str(row["lot_id"]) not in lots:
                problems.append(Problem(place, at, "Lot", str(row["lot_id"]), "a lot_id"))
            planned = _number(row, "planned_lb", place, at, problems)
            actual = _number(row, "actual_lb", place, at, problems)
            one = {"batch": row["batch"], "lot_id": str(row["lot_id"])}
            both = {"planned_lb": planned, "actual_lb": actual}
            weighed.append({"product_id": product_id, **one, **both})
        for at, row in _rows(cells, _BATCHES):
            numbers = {
                name: _number(row, name, place, at, problems)
                for name in ("finished_lb", "weighed_out_lb", "tested_fat_percent")
            }
            batches.append({"product_id": product_id, "batch": row["batch"], **numbers})
    if problems:
        raise InputRefused(problems)
    same = any(inputs_digest(case) in stamp for stamp in stamps)
    number_columns = {"planned_lb": float, "actual_lb": float}
    return Actuals(
        case,
        DataFrame(weighed).astype(number_columns),
        DataFrame(batches).astype(
            dict.fromkeys(("finished_lb", "weighed_out_lb", "tested_fat_percent"), float)
        ),
        same,
    )


def _rows(cells: Sequence[Sequence[Any]], needed: Sequence[str]) -> Iterator[tuple[int, Row]]:
    """Rows, with their numbers, under the heading row that has all columns needed, to the first
    row without a batch."""
    names = {format_of(name).title: name for name in ("batch", *needed)}
    columns: dict[int, str] | None = None
    for at, row in enumerate(cells, 1):
        if columns is None:
            found = {i: names[str(cell)] for i, cell in enumerate(row) if str(cell) in names}
            columns = found if set(found.values()) == set(names.values()) else None
        elif not row or not isinstance(row[0], int | float):
            return
        else:
            yield at, {name: row[i] if i < len(row) else None for i, name in columns.items()}


def _number(row: Row, name: str, place: str, at: int, problems: list[Problem]) -> float | None:
    """A weight or a percent; None where the cell is blank."""
    cell, shape = row[name], format_of(name)
    if cell is None or str(cell).strip() == "":
        return None
    maximum = _MAX_FAT_PERCENT if shape.unit == "%" else float("inf")
    try:
        value = float(str(cell).replace(",", "").removesuffix("%").removesuffix("lb"))
    except ValueError:
        value = float("nan")
    if not 0 <= value <= maximum or value == float("inf"):
        limit = f"a number from 0 to {number(maximum)}" if shape.unit == "%" else "pounds"
        problems.append(Problem(place, at, shape.heading, str(cell), limit))
        return None
    return value
