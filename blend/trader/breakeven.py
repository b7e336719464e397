"""What a lot is worth to the plan: break-even by price, by pounds and with a second lot."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

from blend.domain.case import Case
from blend.domain.certificates import Certificate, Certified, Region
from blend.domain.lots import Lot
from blend.model.solve import LinearPlan
from blend.model.whole import plan_whole
from blend.output.answer import Answer, Spec
from blend.output.charts import BLUE, GRAY, GREEN, ORANGE, amount, chart, layer, name
from blend.output.formats import Format, cents, counted, day, register
from blend.output.frames import DataFrame
from blend.output.screen import table, wrapped
from blend.trader import curves
from blend.trader.curves import MIN_LB, DemandCurve, RegionMap, SupplyCurve
from blend.trader.opening import check_lots, open_case
from blend.units import LB_PER_CWT

register(
    {
        "plan_at_price_usd": Format("Day's cost", "$", 0),
        "ask_mark": Format(""),
        "switch_price_usd_per_cwt": Format("Under", "$/cwt", 2),
        "along_with": Format("Along with more"),
        "on_offer_to_lb": Format("To", "lb", 0),
        "next_cwt_saves_usd": Format("Next cwt saves", "$", 2),
        "break_even_usd_per_cwt": Format("Break-even", "$/cwt", 2),
        "plan_at_pounds_usd": Format("Day's cost", "$", 0),
        "first_used_lb": Format("First lot used", "lb", 0),
        "second_used_lb": Format("Second lot used", "lb", 0),
        "window_percent": Format("Of the window", "%", 2),
        "first_to_usd_per_cwt": Format("to", "$/cwt", 2),
        "second_to_usd_per_cwt": Format("to", "$/cwt", 2),
        "corners": Format("Corners", "", 0),
    }
)
_WHOLE_LIMIT_S = 10.0
"""How long to look for today's plan in whole containers, next to a curve that takes a second."""
_MAX_STEPS = 16
"""Steps on the first screen."""
_MIN_MOVE_LB = 0.5
_MAX_NAMED = 4
_AS_IF = "As if combos and batches could be split"


# By price ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BreakEven(Answer):
    """Pounds of one lot the plan uses at every delivered price.

    Tables: `steps`, highest price first, and `switches`, what is used less and more of at each
    price where the pounds change. All of the LP relaxation; `whole_plan_lb` is what today's plan
    in whole containers takes at the ask, None where none was looked for or found in time.
    """

    lot: Lot
    curve: DemandCurve
    certificate: Certified
    plan_on: date
    whole_plan_lb: float | None = None

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        ask = self.curve.delivered_usd_per_lb
        steps = [
            {
                "at_or_under_usd_per_cwt": step.max_usd_per_lb * LB_PER_CWT,
                "down_to_usd_per_cwt": step.min_usd_per_lb * LB_PER_CWT,
                "you_use_lb": step.pounds_lb,
                "plan_at_price_usd": self.curve.plan_usd_at(step.max_usd_per_lb)
                if math.isfinite(step.max_usd_per_lb)
                else None,
                "ask_mark": f"<- asking {cents(ask * LB_PER_CWT)}"
                if step.min_usd_per_lb < ask <= step.max_usd_per_lb
                else "",
            }
            for step in reversed(self.curve.steps)
        ]
        return {"steps": DataFrame(steps), "switches": self._switches()}

    def _switches(self) -> DataFrame:

        columns = ["switch_price_usd_per_cwt", "more_of_it_lb", "instead_of", "along_with"]
        kept = () if self.curve.certificate is None else self.curve.certificate.steps
        rows = []
        steps = zip(self.curve.steps, kept, strict=False)
        for (below, plan_below), (above, plan_above) in pairwise(steps):
            moved = self._moved(plan_above, plan_below)
            prices = below.max_usd_per_lb * LB_PER_CWT, below.pounds_lb - above.pounds_lb
            still = _used_lb(plan_below)
            dropped = {each for each in moved if still.get(each, 0.0) < _MIN_MOVE_LB}
            less = _amounts(((lot_id, -lb) for lot_id, lb in moved.items()), dropped)
            rows.append((*prices, less, _amounts(moved.items())))
        return DataFrame(rows[::-1], columns=columns)

    def _moved(self, before: Certificate, after: Certificate) -> dict[str, float]:
        """By other lot, pounds used more of."""
        first, then = _used_lb(before), _used_lb(after)
        return {
            lot_id: then.get(lot_id, 0.0) - first.get(lot_id, 0.0)
            for lot_id in [*first, *(each for each in then if each not in first)]
            if lot_id != self.lot.lot_id
        }

    @property
    def at_ask_lb(self) -> float:
        """The most that is optimal at the lot's own price; nothing is used outside the curve."""
        ask = self.curve.delivered_usd_per_lb
        inside = self.curve.steps[0].min_usd_per_lb <= ask <= self.curve.steps[-1].max_usd_per_lb
        return self.curve.pounds_at(ask)[1] if inside else 0.0

    @property
    def all_moves_usd_per_lb(self) -> float | None:
        """The highest price at which the plan uses every pound offered."""
        available = self.curve.available_lb
        full = [
            step
            for step in self.curve.steps
            if math.isfinite(available) and step.pounds_lb >= available - 1
        ]
        return full[-1].max_usd_per_lb if full else None

    @property
    def figures(self) -> Mapping[str, Any]:
        entry, full = self.curve.entry_usd_per_lb, self.all_moves_usd_per_lb
        return {
            "lot_id": self.lot.lot_id,
            "ask_usd_per_cwt": self.curve.delivered_usd_per_lb * LB_PER_CWT,
            "break_even_usd_per_cwt": None if entry is None else entry * LB_PER_CWT,
            "used_at_ask_lb": self.at_ask_lb,
            "whole_lot_moves_at_usd_per_cwt": None if full is None else full * LB_PER_CWT,
            "whole_container_plan_lb": self.whole_plan_lb,
            "is_lp_relaxation": True,
            "certified_gap_usd": self.certificate.gap_usd,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        every = "all" in sections
        parts = [f"{lot_line(self.lot, self.curve.available_lb)}", wrapped(self._answer())]
        parts.append(wrapped(self._basis()))
        parts.append(self._steps_text(every or "steps" in sections))
        parts += map(wrapped, self._room())
        if every or "switches" in sections:
            note = "One optimal plan on each side of each price; where several tie, there are more."
            parts.append(table(self.tables["switches"], title="Where you switch", note=note))
        parts.append(
            certificate_line(self.certificate, "price")
            if every or "certificate" in sections
            else "Steps checked exactly (--certificate)."
        )
        if not sections:
            parts.append(
                wrapped("More: --steps, --switches, --by-pounds, --second LOT. Chart: --chart FILE")
            )
        return "\n".join(parts)

    def _answer(self) -> str:
        entry, used = self.curve.entry_usd_per_lb, self.at_ask_lb
        highest = self.curve.steps[-1].max_usd_per_lb
        if entry is None:
            return "You use none of it at any of these prices."
        if math.isinf(entry):
            words = "You can't fill orders without it: some is used at any price."
        elif entry == highest:
            words = f"Some is still used at {_price(entry)}, the highest price asked about."
        else:
            words = f"Break-even {_price(entry)}."
        words += f" At the ask you use {_lb(used)}." if used > MIN_LB else " At the ask, none."
        full = self.all_moves_usd_per_lb
        if full is not None:
            words += f" The whole lot moves at {_price(full)} or less."
        return words

    def _basis(self) -> str:
        """What the figures are of, with the whole-container plan next to it."""
        if self.whole_plan_lb is None:
            return f"{_AS_IF}."
        kind = f"whole-{self.lot.container}" if self.lot.container_lb else "whole-batch"
        takes = _lb(self.whole_plan_lb) if self.whole_plan_lb else "none"
        return f"{_AS_IF}; today's {kind} plan takes {takes}."

    def _steps_text(self, every: bool) -> str:
        frame = self.tables["steps"]
        used = frame[frame["you_use_lb"] > MIN_LB]
        shown, columns = used, ["at_or_under_usd_per_cwt", "you_use_lb", "ask_mark"]
        note = ""
        if every:
            columns = list(frame.columns)
        elif len(used) > _MAX_STEPS:
            marked = used["ask_mark"].astype(bool).to_numpy()
            place = int(marked.argmax()) if marked.any() else 0
            first = max(0, min(place - _MAX_STEPS // 2, len(used) - _MAX_STEPS))
            shown = used.iloc[first : first + _MAX_STEPS]
            note = f"{len(shown)} of {len(used)} steps, around the ask; all with --steps."
        return table(shown, columns, note=note) if len(used) else ""

    def _room(self) -> list[str]:
        entry, full = self.curve.entry_usd_per_lb, self.all_moves_usd_per_lb
        ask, lines = self.curve.delivered_usd_per_lb, []
        if entry is not None and math.isfinite(entry):
            room = (entry - ask) * LB_PER_CWT
            if room >= 0:
                words = f"Room above the ask: {cents(room)}/cwt."
            else:
                words = f"The ask is {cents(-room)}/cwt too high."
            if full is not None and full < ask:
                words += f" Cut that moves it all: {cents((ask - full) * LB_PER_CWT)}/cwt."
            lines.append(words)
        kept = self.curve.certificate
        at_ask = next((s for s in self.curve.steps if s.min_usd_per_lb < ask <= s.max_usd_per_lb),
                      None)  # fmt: skip
        if kept is not None and at_ask is not None and self.at_ask_lb > MIN_LB:
            without = kept.steps[-1]
            moved = self._moved(kept.steps[self.curve.steps.index(at_ask)], without)
            named = sorted(moved.items(), key=lambda each: -abs(each[1]))[:_MAX_NAMED]
            words = ", ".join(
                f"{lot_id} {lb:+,.0f} lb" for lot_id, lb in named if abs(lb) > _MIN_MOVE_LB
            )
            if words:
                lines.append(f"Without it: {words}.")
        return lines

    def chart(self) -> Spec:
        low, high = _window(self.curve)
        inside = [
            step
            for step in self.curve.steps
            if step.max_usd_per_lb > low and step.min_usd_per_lb < high
        ]
        rows = [
            {"price": max(step.min_usd_per_lb, low) * LB_PER_CWT, "pounds": step.pounds_lb}
            for step in inside
        ]
        rows.append({"price": high * LB_PER_CWT, "pounds": inside[-1].pounds_lb})
        named = {"ask": self.curve.delivered_usd_per_lb}
        entry = self.curve.entry_usd_per_lb
        if entry is not None and low <= entry <= high:
            named["break-even"] = entry
        lowest = min(named, key=named.__getitem__)
        marks = [
            {
                "price": price * LB_PER_CWT,
                "name": mark,
                "label": f"{mark} {_price(price)}",
                "is_left": mark == lowest and len(named) > 1,
            }
            for mark, price in named.items()
        ]
        x = amount("price", "delivered price, $/cwt", scale={"zero": False, "nice": False})
        scale = {"domain": ["ask", "break-even"], "range": [GRAY, ORANGE]}
        color = name("name", legend=None, scale=scale)
        steps = {
            "type": "area",
            "interpolate": "step-after",
            "fillOpacity": 0.15,
            "line": {"color": BLUE},
        }
        dashes = {"type": "rule", "strokeDash": [5, 3], "strokeWidth": 1.5}
        labels = [
            layer({"type": "text", "align": align, "dx": shift, "y": 8}, "marks",
                  x=x, color=color, text=name("label"))
            | {"transform": [{"filter": f"datum.is_left == {is_left}"}]}
            for is_left, align, shift in (("true", "right", -5), ("false", "left", 5))
        ]  # fmt: skip
        return chart(
            f"What you would use of {self.lot.lot_id}, {self.lot.item}",
            {"steps": rows, "marks": marks},
            [
                layer(steps, "steps", x=x, y=amount("pounds", "you use, lb")),
                layer(dashes, "marks", x=x, color=color),
                *labels,
            ],
            subtitle=f"Plan of {day(self.plan_on)}. {self._basis()}",
            description=self._answer(),
        )


_STEPS_OF_PRICE = 400


def with_price_line(found: BreakEven) -> Spec:
    """The chart for the page, with a price line to drag that shows the pounds."""
    spec = found.chart()
    rows = spec["datasets"]["steps"]
    low, high = rows[0]["price"], rows[-1]["price"]
    for row, after in pairwise(rows):
        row["until"] = after["price"]
    ask = found.curve.delivered_usd_per_lb * LB_PER_CWT
    dragged = {
        "name": "price",
        "value": round(min(max(ask, low), high), 2),
        "bind": {"input": "range", "min": low, "max": high, "step": (high - low) / _STEPS_OF_PRICE,
                 "name": "Price, $/cwt "},
    }  # fmt: skip
    x = spec["layer"][0]["encoding"]["x"]
    at = {"datum": {"expr": "price"}, "type": "quantitative"} | {"title": x["title"]}
    words = "format(price, '$,.2f') + ': you use ' + format(datum.pounds, ',.0f') + ' lb'"
    spec["layer"] += [
        layer({"type": "rule", "strokeWidth": 3, "color": GREEN, "cursor": "ew-resize"}, "marks",
              x=at) | {"transform": [{"filter": "datum.name == 'ask'"}]},
        layer({"type": "text", "align": "left", "dx": 8, "dy": -12, "fontSize": 14,
               "fontWeight": "bold", "color": GREEN},
              "steps", x=at, y=amount("pounds", "you use, lb"), text=name("words"))
        | {"transform": [{"filter": "datum.price <= price && price < datum.until"},
                         {"calculate": words, "as": "words"}]},
    ]  # fmt: skip
    return spec | {"params": [dragged], "usermeta": {"drag": "price"}}


def breakeven(
    case: Case,
    lot_id: str,
    *,
    min_usd_per_lb: float | None = None,
    max_usd_per_lb: float = math.inf,
    available_lb: float | None = None,
    whole: bool = True,
) -> BreakEven:
    """Pounds of a lot the plan uses at every delivered price (parametric LP, exact breakpoints).

    `available_lb` asks as if that much were on offer, infinite for no limit. `whole` also looks,
    for up to ten seconds, for what today's plan in whole containers takes. Raises InputRefused
    for a lot or a price that cannot be asked about, NoPlan where nothing meets the orders.
    """
    curve = curves.demand_curve(
        case,
        lot_id,
        min_usd_per_lb=min_usd_per_lb,
        max_usd_per_lb=max_usd_per_lb,
        available_lb=available_lb,
        certify=True,
    )
    certified = curve.certified(case, min_usd_per_lb, max_usd_per_lb)
    certified.must_be_valid(f"break-even of {lot_id}")
    taken = _whole_plan_lb(case, lot_id) if whole and available_lb is None else None
    return BreakEven(case.lot(lot_id), curve, certified, case.settings.plan_on, taken)


def _whole_plan_lb(case: Case, lot_id: str) -> float | None:
    """Pounds today's plan in whole containers and batches takes; None if not found in time."""
    takes = whole_takes(case)
    return None if takes is None else takes.get(lot_id, 0.0)


@lru_cache(maxsize=4)
def whole_takes(case: Case) -> dict[str, float] | None:
    """By lot; kept, as every lot of a case is asked about the same plan."""
    settings = case.settings
    limit_s = min(settings.time_limit_s, _WHOLE_LIMIT_S)
    case = replace(case, settings=replace(settings, time_limit_s=limit_s))
    opened = open_case(case)
    found = plan_whole(case, LinearPlan(opened.linear.model, opened.answer))
    if found.rounded_plan is None:
        return None
    return {take.lot_id: take.pounds_lb for take in found.rounded_plan.takes}


# By pounds on offer ------------------------------------------------------------------------------


@dataclass(frozen=True)
class BreakEvenByPounds(Answer):
    """What one more cwt of a lot saves, by how much of it is on offer, at its delivered price.

    Table `steps`, fewest pounds first. Of the LP relaxation.
    """

    lot: Lot
    curve: SupplyCurve
    certificate: Certified
    plan_on: date

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        delivered = self.curve.delivered_usd_per_lb
        rows = [
            {
                "on_offer_from_lb": step.min_lb,
                "on_offer_to_lb": step.max_lb,
                "next_cwt_saves_usd": step.next_lb_saves_usd * LB_PER_CWT,
                "break_even_usd_per_cwt": (step.next_lb_saves_usd + delivered) * LB_PER_CWT
                if step.next_lb_saves_usd > 0
                else None,
                "plan_at_pounds_usd": step.usd_at_least,
            }
            for step in self.curve.steps
        ]
        return {"steps": DataFrame(rows)}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "lot_id": self.lot.lot_id,
            "delivered_usd_per_cwt": self.curve.delivered_usd_per_lb * LB_PER_CWT,
            "needed_lb": self.curve.needed_lb,
            "used_if_unlimited_lb": self.enough_lb,
            "is_lp_relaxation": True,
            "certified_gap_usd": self.certificate.gap_usd,
        }

    @property
    def enough_lb(self) -> float | None:
        """From so many pounds on, one more saves nothing; None where every one still does."""
        last = self.curve.steps[-1]
        return last.min_lb if last.next_lb_saves_usd == 0 else None

    def _answer(self) -> str:
        words = f"At {_price(self.curve.delivered_usd_per_lb)} delivered"
        if self.enough_lb is None:
            words += " every pound more still saves money."
        elif self.enough_lb <= MIN_LB:
            words += " you use none, however much is offered."
        else:
            words += f" you would use up to {_lb(self.enough_lb)}; beyond that more saves nothing."
        if self.curve.needed_lb:
            words += f" With less than {_lb(self.curve.needed_lb)} you can't fill orders."
        return words

    def screen(self, sections: Collection[str] = ()) -> str:
        frame, every = self.tables["steps"], "all" in sections or "steps" in sections
        title = "What each amount on offer is worth"
        note = f"{len(frame)} steps; all with --steps." if len(frame) > 24 and not every else ""
        shows_all = "all" in sections or "certificate" in sections
        parts = [
            lot_line(self.lot, self.curve.offered_lb),
            wrapped(self._answer()),
            f"{_AS_IF}.",
            table(frame if every else frame.head(24), title=title, note=note),
            certificate_line(self.certificate, "number of pounds")
            if shows_all
            else "Steps checked exactly (--certificate).",
        ]
        return "\n".join(parts)

    def chart(self) -> Spec:
        reach = 1.15 * max(
            self.enough_lb or 0.0,
            self.curve.steps[-1].min_lb,
            self.curve.offered_lb if math.isfinite(self.curve.offered_lb) else 0.0,
            1.0,
        )
        rows = [
            {"pounds": min(pounds, reach), "saves": step.next_lb_saves_usd * LB_PER_CWT}
            for step in self.curve.steps
            for pounds in (step.min_lb, step.max_lb)
        ]
        x, y = amount("pounds", "on offer, lb"), amount("saves", "next cwt saves, $")
        return chart(
            f"What more of {self.lot.lot_id}, {self.lot.item}, would save",
            rows,
            layer({"type": "line", "point": {"size": 25}}, x=x, y=y, tooltip=[x, y]),
            subtitle=f"Plan of {day(self.plan_on)}. {self._answer()} {_AS_IF}.",
        )


def breakeven_by_pounds(case: Case, lot_id: str) -> BreakEvenByPounds:
    """Cost of the plan with any pounds of a lot on offer; raises as `breakeven`."""
    curve = curves.supply_curve(case, lot_id, certify=True)
    certified = curve.certified(case)
    certified.must_be_valid(f"break-even of {lot_id} by pounds")
    return BreakEvenByPounds(case.lot(lot_id), curve, certified, case.settings.plan_on)


# Two lots ----------------------------------------------------------------------------------------

_KINDS = ("both", "first only", "second only", "neither")
_KIND_COLORS = (GREEN, BLUE, ORANGE, "#dddddd")


@dataclass(frozen=True)
class BreakEvenOfTwo(Answer):
    """Which pounds of two lots the plan uses at which pair of prices.

    Table `regions`, largest first. Of the LP relaxation; exact unless `found.is_exact` is False.
    """

    lots: tuple[Lot, Lot]
    found: RegionMap
    certificate: Certified | None
    plan_on: date

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        window = math.prod(
            high - low
            for low, high in zip(self.found.min_usd_per_lb, self.found.max_usd_per_lb, strict=True)
        )
        rows = []
        for region in sorted(self.found.regions, key=lambda region: -region.area):
            first, second = zip(*region.corners_usd_per_lb, strict=True)
            rows.append(
                {
                    "first_used_lb": region.pounds_lb[0],
                    "second_used_lb": region.pounds_lb[1],
                    "window_percent": 100 * region.area / window,
                    "first_from_usd_per_cwt": min(first) * LB_PER_CWT,
                    "first_to_usd_per_cwt": max(first) * LB_PER_CWT,
                    "second_from_usd_per_cwt": min(second) * LB_PER_CWT,
                    "second_to_usd_per_cwt": max(second) * LB_PER_CWT,
                    "corners": len(region.corners_usd_per_lb),
                }
            )
        return {"regions": DataFrame(rows)}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "first_lot_id": self.lots[0].lot_id,
            "second_lot_id": self.lots[1].lot_id,
            "regions": len(self.found.regions),
            "is_exact": self.found.is_exact,
            "is_lp_relaxation": True,
            "certified_gap_usd": None if self.certificate is None else self.certificate.gap_usd,
        }

    def _exact_words(self) -> str:
        if self.found.is_exact:
            return f"{_AS_IF}."
        return f"NOT EXACT: stopped after {counted(self.found.solves, 'solve')}. {_AS_IF}."

    def screen(self, sections: Collection[str] = ()) -> str:
        first, second = self.lots
        here = self._here()
        head = "Who buys what at which prices: first "
        head += f"{first.lot_id} {first.item}, second {second.lot_id} {second.item}"
        at_asks = " and ".join(_price(each) for each in self.found.delivered_usd_per_lb)
        used = "" if here is None else (
            f" At the asks ({at_asks}) you use {_lb(here.pounds_lb[0])} and"
            f" {_lb(here.pounds_lb[1])}."
        )  # fmt: skip
        frame, every = self.tables["regions"], "all" in sections or "steps" in sections
        note = f"{len(frame)} regions; all with --steps." if len(frame) > 20 and not every else ""
        parts = [
            wrapped(head),
            wrapped(f"{counted(len(frame), 'region')} of prices.{used} {self._exact_words()}"),
            table(frame if every else frame.head(20), note=note),
        ]
        if self.certificate is not None:
            shows = "all" in sections or "certificate" in sections
            parts.append(
                map_certificate_line(self.certificate)
                if shows
                else "Regions checked exactly (--certificate)."
            )
        return "\n".join(parts)

    def _here(self) -> Region | None:
        """The region the two asks are in."""
        asks = self.found.delivered_usd_per_lb
        for region in self.found.regions:
            sides = zip(
                region.corners_usd_per_lb,
                region.corners_usd_per_lb[1:] + region.corners_usd_per_lb[:1],
                strict=True,
            )
            if all((x2 - x1) * (asks[1] - y1) >= (y2 - y1) * (asks[0] - x1)
                   for (x1, y1), (x2, y2) in sides):  # fmt: skip
                return region
        return None

    def chart(self) -> Spec:
        first, second = (lot.lot_id for lot in self.lots)
        names = ("both", f"{first} only", f"{second} only", "neither")
        most = [max(region.pounds_lb[axis] for region in self.found.regions) for axis in (0, 1)]
        size = [
            high - low
            for low, high in zip(self.found.min_usd_per_lb, self.found.max_usd_per_lb, strict=True)
        ]
        corners, middles = [], []
        for number, region in enumerate(self.found.regions):
            kind = names[_kind(region)]
            full = [lb / top for lb, top in zip(region.pounds_lb, most, strict=True) if top > 0]
            places = [(x * LB_PER_CWT, y * LB_PER_CWT) for x, y in region.corners_usd_per_lb]
            shared = {
                "region": number,
                "kind": kind,
                "opacity": 1.0 if _kind(region) == 3 else 0.2 + 0.6 * sum(full) / max(1, len(full)),
                "first_lb": region.pounds_lb[0],
                "second_lb": region.pounds_lb[1],
            }
            corners += [
                {"x": x, "y": y, "order": order} | shared for order, (x, y) in enumerate(places)
            ]
            width, height = (
                (max(side) - min(side)) / LB_PER_CWT / whole
                for side, whole in zip(zip(*places, strict=True), size, strict=True)
            )
            fills = region.area / math.prod(size) / (width * height)
            if width > 0.14 and height > 0.09 and fills > 0.6:
                x, y = _middle(places)
                label = [f"{lb + 0.0:,.0f}" for lb in region.pounds_lb]
                middles.append({"x": x, "y": y, "label": label})
        here = [{"x": a * LB_PER_CWT, "y": b * LB_PER_CWT}
                for a, b in (self.found.delivered_usd_per_lb,)]  # fmt: skip
        (left, low), (right, high) = (
            [price * LB_PER_CWT for price in ends]
            for ends in (self.found.min_usd_per_lb, self.found.max_usd_per_lb)
        )
        across = amount(
            "x", f"{first} delivered, $/cwt", scale={"domain": [left, right], "nice": False}
        )
        up = amount("y", f"{second} delivered, $/cwt", scale={"domain": [low, high], "nice": False})
        met = [each for each in names if any(row["kind"] == each for row in corners)]
        fill = name(
            "kind",
            "you use",
            scale={"domain": met, "range": [_KIND_COLORS[names.index(each)] for each in met]},
            legend={"orient": "top", "symbolType": "square", "symbolStrokeWidth": 0},
        )
        ink = "#1d2733"
        polygon = {
            "type": "line",
            "interpolate": "linear-closed",
            "filled": True,
            "stroke": ink,
            "strokeWidth": 0.6,
        }
        ring = {"type": "point", "size": 120, "filled": False, "color": ink, "strokeWidth": 2.5}
        text = {"type": "text", "fontSize": 10, "baseline": "middle"}
        return chart(
            "What you would use of "
            + " and ".join(f"{lot.lot_id}, {lot.item}" for lot in self.lots),
            {"corners": corners, "middles": middles, "here": here},
            [
                layer(
                    polygon,
                    "corners",
                    x=across,
                    y=up,
                    order={"field": "order"},
                    detail=name("region"),
                    fill=fill,
                    fillOpacity=amount("opacity", scale=None, legend=None),
                    tooltip=[
                        amount(f"{axis}_lb", f"{lot}, lb", format=",.0f")
                        for axis, lot in (("first", first), ("second", second))
                    ],
                ),
                layer(text, "middles", x=across, y=up, text=name("label")),
                layer(ring, "here", x=across, y=up),
            ],
            subtitle=f"Plan of {day(self.plan_on)}. Pounds of {first} over pounds of {second};"
            f" ring: the asks. {self._exact_words()}",
            description=f"{counted(len(self.found.regions), 'region')} of the prices of {first}"
            f" and {second}. Within one, you would use the same pounds.",
            height_px=560,
        )


def breakeven_of_two(
    case: Case, lot_ids: tuple[str, str], *, around_share: float = 0.05
) -> BreakEvenOfTwo:
    """Pounds of two lots used at every pair of delivered prices, up to `around_share` of each
    price away from it on both sides. Raises as `breakeven`."""
    check_lots(case, *lot_ids)
    first, second = (case.lot(lot_id) for lot_id in lot_ids)
    asks = (first.delivered_usd_per_lb, second.delivered_usd_per_lb)
    found = curves.region_map(
        case,
        lot_ids,
        min_usd_per_lb=(asks[0] * (1 - around_share), asks[1] * (1 - around_share)),
        max_usd_per_lb=(asks[0] * (1 + around_share), asks[1] * (1 + around_share)),
        certify=True,
    )
    certified = found.certified(case) if found.is_exact else None
    if certified is not None:
        certified.must_be_valid(f"break-even of {lot_ids[0]} and {lot_ids[1]}")
    return BreakEvenOfTwo((first, second), found, certified, case.settings.plan_on)


# Shared ------------------------------------------------------------------------------------------


def certificate_line(certified: Certified, at_any: str) -> str:
    return wrapped(
        "Certificate, in exact arithmetic and without the solver:"
        f" {counted(certified.count, 'step')}; at no {at_any} does the lowest cost of a plan (as"
        f" if split) differ from them by more than {small_usd(certified.gap_usd)}."
    )


def map_certificate_line(certified: Certified) -> str:
    return wrapped(
        "Certificate, in exact arithmetic and without the solver:"
        f" {counted(certified.count, 'region')} that cover the window; at no prices in them does"
        " the lowest cost of a plan (as if split) differ by more than"
        f" {small_usd(certified.gap_usd)}."
    )


def small_usd(usd: float) -> str:
    """Rounded up, so it is never understated."""
    return f"${max(1, math.ceil(usd * 1e6)) / 1e6:.6f}"


def lot_line(lot: Lot, available_lb: float) -> str:
    """One line above an answer: what the lot is, how much there is, and the ask."""
    there = "any amount" if math.isinf(available_lb) else _lb(available_lb)
    where = "offered" if lot.on_hand_or_offered == "offered" else "on hand"
    price = _price(lot.delivered_usd_per_lb)
    return wrapped(f"{lot.lot_id} {lot.item}: {there} {where} at {price} delivered")


_MIN_REACH_USD_PER_LB = 0.05
"""A lot that is used at every price, at no cost, still gets an axis."""


def _window(curve: DemandCurve) -> tuple[float, float]:
    """Prices worth drawing: from a little under the first change to a little past the last mark."""
    changes = [step.max_usd_per_lb for step in curve.steps if math.isfinite(step.max_usd_per_lb)]
    high = max([*changes, curve.delivered_usd_per_lb])
    low = curve.steps[0].min_usd_per_lb
    first = min([*changes[:1], curve.delivered_usd_per_lb])
    reach = max(high - first, 0.02 * high, _MIN_REACH_USD_PER_LB)
    return max(low, first - 0.25 * reach), high + 0.25 * reach


def _used_lb(optimum: Certificate) -> dict[str, float]:
    """Pounds put into blends, by lot."""
    used: dict[str, float] = defaultdict(float)
    for (lot_id, _), lb in optimum.pounds.use_lb.items():
        used[lot_id] += lb
    return used


def _amounts(moved: Iterable[tuple[str, float]], dropped: Collection[str] = ()) -> str:
    """Lots that move up, most first; "(all)" after those used up."""
    up = sorted((each for each in moved if each[1] > _MIN_MOVE_LB), key=lambda m: (-m[1], m[0]))
    words = [
        f"{lot_id} {lb:,.0f}{' (all)' if lot_id in dropped else ''}"
        for lot_id, lb in up[:_MAX_NAMED]
    ]
    more = [f"{len(up) - _MAX_NAMED} more"] if len(up) > _MAX_NAMED else []
    return ", ".join([*words, *more])


def _kind(region: Region) -> int:
    first, second = (pounds > MIN_LB for pounds in region.pounds_lb)
    return {(True, True): 0, (True, False): 1, (False, True): 2, (False, False): 3}[first, second]


def _middle(corners: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Center of gravity of a convex polygon, by triangles from its first corner."""
    (x0, y0), *others = corners
    total, x_sum, y_sum = 0.0, 0.0, 0.0
    for (x1, y1), (x2, y2) in pairwise(others):
        size = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        total += size
        x_sum += size * (x0 + x1 + x2) / 3
        y_sum += size * (y0 + y1 + y2) / 3
    return x_sum / total, y_sum / total


def _price(usd_per_lb: float) -> str:
    return cents(usd_per_lb * LB_PER_CWT)


def _lb(pounds: float) -> str:
    return f"{pounds:,.0f} lb"
