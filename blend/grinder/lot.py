"""The question `lot`: why a lot is used or not, its break-even price, and what it would replace."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import inf, isfinite, isinf, nan

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.selectors import Condition, Selector
from blend.errors import refusal
from blend.grinder.why_lot import InProduct, Rival, WhyLot, Worth, why_lot_of, why_lots
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, cents, counted, day, register
from blend.output.frames import DataFrame
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_MIN_LB = 0.5
_MIN_USD_PER_LB = 0.005 / LB_PER_CWT
_MAX_OTHERS = 6
AS_IF_SPLIT = "as if combos and batches could be split"

register(
    {
        "finished_usd_per_cwt": Format("Finished meat", "$/cwt", 2),
        "over_ask_usd_per_cwt": Format("Over ask", "$/cwt", 2, is_signed=True),
        "adds_usd_per_cwt": Format("Adds", "$/cwt", 2, is_signed=True),
        "break_even_usd_per_cwt": Format("Break-even", "$/cwt", 2),
        "change_lb": Format("Change", "lb", 0, is_signed=True),
    }
)


def lot(case: Case, lot_id: str) -> LotAnswer:
    """Why one lot is used or not; raises as `why_lots` does."""
    return LotAnswer(case, why_lot_of(case, lot_id))


def lots(case: Case, where: Selector) -> LotAnswer | LotsAnswer:
    """The lots that match, compared; the full answer where only one does.

    Raises KeyError where none matches, NoPlan and InputRefused as `lot` does.
    """
    asked = [each for each in case.lots if where.holds(each)]
    if not asked:
        raise KeyError(str(where))
    whys = why_lots(case, [each.lot_id for each in asked])
    return LotAnswer(case, *whys) if len(whys) == 1 else LotsAnswer(case, where, tuple(whys))


def lots_named(case: Case, name: str) -> Selector | None:
    """The lot of this id, else the lots of this item, upper or lower case; None for neither."""
    for attribute, known in (
        ("lot", [each.lot_id for each in case.lots]),
        ("item", [each.item for each in case.lots]),
    ):
        match = next((each for each in known if each.casefold() == name.casefold()), None)
        if match is not None:
            return Selector((Condition(attribute, "=", (match,)),))
    return None


@dataclass(frozen=True)
class LotAnswer(Answer):
    """One lot. Its worth and break-even price are of the LP relaxation."""

    case: Case
    why: WhyLot

    @property
    def of(self) -> Lot:
        return self.case.lot(self.why.lot_id)

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`products`: worth of the next pound in each product. `parts`: what that worth is made
        of. `barred`: products it may not go into. `others`: lots that it would move."""

        why, name = self.why, self.name
        worth = why.worth_in.items()
        return {
            "products": DataFrame([self._product_row(*each) for each in worth]),
            "parts": DataFrame(
                [
                    (name(product_id), part, usd * LB_PER_CWT)
                    for product_id, value in worth
                    for part, usd in self._parts(value)
                ],
                columns=["product", "part", "adds_usd_per_cwt"],
            ),
            "barred": DataFrame(
                [(name(p.product_id), self._reasons(p)) for p in why.products if p.barred],
                columns=["product", "reason"],
            ),
            "others": DataFrame([self._moved(each) for each in why.rivals]),
        }

    @property
    def figures(self) -> Mapping[str, object]:
        break_even = self.why.break_even_usd_per_lb
        return {
            "lot_id": self.why.lot_id,
            "status": _status(self.why),
            "used_lb": self.why.used_lb,
            "delivered_usd_per_cwt": self.why.delivered_usd_per_lb * LB_PER_CWT,
            "break_even_usd_per_cwt": None if break_even is None else break_even * LB_PER_CWT,
            "next_lb_saves_usd": self.why.next_lb_usd,
        }

    def name(self, product_id: str) -> str:
        return self.case.product(product_id).name

    @property
    def headline(self) -> str:
        """The answer in a sentence or two."""
        why = self.why
        ask = f"{cents(why.delivered_usd_per_lb * LB_PER_CWT)}/cwt delivered"
        if why.reason_unusable is not None:
            on = day(self.case.settings.plan_on)
            return f"Not available on {on}: {why.reason_unusable}."
        if why.is_used:
            into = [self.name(each) for each in self._using]
            where = f" in {', '.join(into)}" if into else ""
            return f"Used: {why.used_lb:,.0f} lb{where}. It costs {ask}. {self._drop}"
        if why.best is None:
            return "Not used: no product today may use it."
        return f"Not used at {ask}. {self._buy}"

    @property
    def _using(self) -> list[str]:
        """The products that use it, by product_id."""
        return [name for name, value in self.why.worth_in.items() if value.used_lb > _MIN_LB]

    @property
    def _drop(self) -> str:
        at, costs = self.why.break_even_usd_per_lb, self.why.delivered_usd_per_lb
        if at is None:
            return "Drop it at any higher price."
        if isinf(at):
            return "You can't fill the orders without it, at any price."
        if at - costs < _MIN_USD_PER_LB:
            return "Drop it if it goes up a cent: other lots do as well for the money."
        room = (at - costs) * LB_PER_CWT
        return f"Drop it if over {cents(at * LB_PER_CWT)}, {cents(room)} more."

    @property
    def _buy(self) -> str:
        at, costs = self.why.break_even_usd_per_lb, self.why.delivered_usd_per_lb
        if at is None:
            return "It isn't worth buying at any price above zero."
        over = (costs - at) * LB_PER_CWT
        if costs - at < _MIN_USD_PER_LB:
            return "Buy it if it comes down a cent: other lots do as well for the money."
        return f"Buy it under {cents(at * LB_PER_CWT)}; the ask is {cents(over)} too high."

    def screen(self, sections: Collection[str] = ()) -> str:
        about = screen.wrapped(f"{self.of.lot_id} {lot_line(self.of)}", "  ")
        first = [f"{screen.strong(about)}\n{screen.wrapped(self.headline)}"]
        best = self._using[0] if self._using else self.why.best
        if best is None:
            return screen.blocks([*first, self._barred()], (), {})
        first += [self._best(best), self._others(_MAX_OTHERS)]
        offered: dict[str, Callable[[], str]] = {
            "products": self._by_product, "parts": self._by_part, "others": self._others,
        }  # fmt: skip
        closing = [screen.wrapped(f"Worth and break-even are {AS_IF_SPLIT}.")]
        if any(each.barred for each in self.why.products):
            offered["barred"] = self._barred
            closing.insert(0, self._barred_line())
        return screen.blocks([*first, "\n".join(closing)], sections, offered)

    def _best(self, product_id: str) -> str:
        parts = self.tables["parts"]
        where = "is used" if self._using else "is worth most"
        title = f"Where the next pound {where}: {self.name(product_id)}"
        return screen.table(
            parts[parts["product"] == self.name(product_id)],
            ["part", "adds_usd_per_cwt"],
            title=title,
        )

    def _by_product(self) -> str:
        products = self.tables["products"]
        return screen.table(
            products,
            screen.with_values(products),
            title="What the next pound is worth in each product",
            note="Limits: what its lean and the product's rules add (--parts lists them). For the"
            " next pound, not for many. Over ask: positive for a lot that is used up, zero where it"
            f" is used or does as well as others. All {AS_IF_SPLIT}.",
        )

    def _by_part(self) -> str:
        names = {self.name(each) for each in self._using or [self.why.best or ""]}
        parts = self.tables["parts"]
        return screen.table(
            parts[parts["product"].isin(names)],
            title="Part by part, where it is used" if self._using else "Part by part",
            note="Plus: the lot helps meet the limit. Minus: it uses the limit up. Limits with no"
            " shadow price today are left out.",
        )

    def _barred(self) -> str:
        return screen.listed(
            self.tables["barred"], "product", "reason", title="Products it may not go into"
        )

    def _barred_line(self) -> str:
        names = [self.name(each.product_id) for each in self.why.products if each.barred]
        return screen.wrapped(f"May not go into: {'; '.join(names)} (--barred says why).", "  ")

    def _others(self, count: int | None = None) -> str:
        why, frame = self.why, self.tables["others"]
        title = "Without it" if why.is_used else "What it replaces, priced just under break-even"
        if frame.empty:
            return ""
        hidden = 0 if count is None else max(0, len(frame) - count)
        note = f"And {counted(hidden, 'smaller move')} (--others)." if hidden else ""
        return screen.table(frame.head(count or len(frame)), title=title, note=note)

    def chart(self) -> Spec:
        """Worth in each product as points, with a line at the delivered price."""
        if self.why.best is None:
            nothing = f"No product may use {self.why.lot_id} today: nothing to draw"
            raise refusal("--chart", None, nothing, "")
        field = "worth_usd_per_cwt"
        points = charts.rows_of(self.tables["products"], "product", field)
        ask = self.why.delivered_usd_per_lb * LB_PER_CWT
        prices = [ask, *(each[field] for each in points)]
        reach = max(max(prices) - min(prices), 1.0) * 0.2
        scale = {"domain": [min(prices) - reach, max(prices) + reach]}
        y = charts.name("product", axis={"labelLimit": 240})
        x = charts.amount(field, f"$/cwt, {AS_IF_SPLIT}", scale=scale, axis={"tickCount": 8})
        worth = charts.amount(field, format=",.2f")
        point = {"type": "point", "filled": True, "size": 120, "color": charts.BLUE}
        line = {"type": "rule", "color": charts.ORANGE, "strokeWidth": 2}
        above = {"type": "text", "dy": -6, "baseline": "bottom"}
        return charts.chart(
            f"What the next pound of {self.why.lot_id} is worth",
            {"points": points, "ask": [{"ask": ask, "label": f"ask {cents(ask)}"}]},
            [
                charts.layer(point, "points", x=x, y=y),
                charts.layer({"type": "text", "align": "left", "dx": 10}, "points", y=y,
                             x=x, text=worth),
                charts.layer(line, "ask", x=x | {"field": "ask"}),
                charts.layer(above, "ask", x=x | {"field": "ask"}, y={"value": 0},
                             text={"field": "label"}),
            ],
            subtitle=f"{self.of.item}, {day(self.case.settings.plan_on)}. {self.headline}",
            height_px=28 * len(points) + 40,
        )  # fmt: skip

    # Rows ---------------------------------------------------------------------------------------

    def _product_row(self, product_id: str, value: Worth) -> dict[str, object]:
        usd_per_lb = {
            "finished": value.finished_usd_per_lb,
            "losses": value.losses_usd_per_lb,
            "limits": sum(part.usd_per_lb for part in value.requirements),
            "worth": value.usd_per_lb,
            "over_ask": value.usd_per_lb - self.why.delivered_usd_per_lb,
        }
        return {
            "product": self.name(product_id),
            "used_lb": value.used_lb if value.used_lb > _MIN_LB else nan,
            **{f"{name}_usd_per_cwt": usd * LB_PER_CWT for name, usd in usd_per_lb.items()},
        }

    def _moved(self, rival: Rival) -> dict[str, object]:
        other = self.case.lot(rival.lot_id)
        return {
            "lot_id": other.lot_id,
            "item": other.item,
            "lean_percent": other.lean * POINTS_PER_SHARE,
            "delivered_usd_per_cwt": other.delivered_usd_per_lb * LB_PER_CWT,
            "now_lb": rival.now_lb,
            "then_lb": rival.then_lb,
            "change_lb": rival.then_lb - rival.now_lb,
        }

    def _parts(self, value: Worth) -> list[tuple[str, float]]:
        from blend.phrases import requirement_words

        limits = [
            (requirement_words(part.requirement, self.case), part.usd_per_lb)
            for part in value.requirements
            if abs(part.usd_per_lb) >= _MIN_USD_PER_LB
        ]
        losses = value.losses_usd_per_lb
        return [
            ("finished meat, any lots", value.finished_usd_per_lb),
            *([("losses of this lot", losses)] if abs(losses) >= _MIN_USD_PER_LB else []),
            *limits,
            ("= worth", value.usd_per_lb),
            ("minus the ask", value.usd_per_lb - self.why.delivered_usd_per_lb),
        ]

    def _reasons(self, each: InProduct) -> str:
        from blend.phrases import requirement_words

        product, barred = self.case.product(each.product_id), each.barred
        reasons = []
        if barred.wrong_species:
            reasons.append(f"only {' or '.join(sorted(product.species))} may go in")
        if barred.lacks_label_claims:
            reasons.append(f"the lot is not {', '.join(barred.lacks_label_claims)}")
        reasons += [requirement_words(requirement, self.case) for requirement in barred.rules]
        return "; ".join(reasons)


@dataclass(frozen=True)
class LotsAnswer(Answer):
    """Lots compared: used pounds, ask and break-even. Break-evens move one lot at a time."""

    case: Case
    where: Selector
    whys: tuple[WhyLot, ...]

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`lots`: one row for each lot that matches."""

        rows = []
        for why in self.whys:
            each, at = self.case.lot(why.lot_id), why.break_even_usd_per_lb
            break_even = nan if at is None else at * LB_PER_CWT
            rows.append(
                {
                    "lot_id": each.lot_id,
                    "item": each.item,
                    "supplier": each.supplier,
                    "lean_percent": each.lean * POINTS_PER_SHARE,
                    "used_lb": why.used_lb if why.is_used else nan,
                    "delivered_usd_per_cwt": each.delivered_usd_per_lb * LB_PER_CWT,
                    "break_even_usd_per_cwt": break_even,
                    "status": _status(why),
                }
            )
        return {"lots": DataFrame(rows)}

    @property
    def title(self) -> str:
        """Such as "Fresh 90s: B90-1 to B90-3"."""
        items = {self.case.lot(why.lot_id).item for why in self.whys}
        if len(items) > 1:
            return f"{counted(len(self.whys), 'lot')} where {self.where}"
        (item,) = items
        return f"{item[:1].upper()}{item[1:]}: {_listed([why.lot_id for why in self.whys])}"

    def screen(self, sections: Collection[str] = ()) -> str:
        note = (
            f"One lot: blend lot FOLDER {self.whys[0].lot_id}. Break-evens move one lot at a time,"
            f" {AS_IF_SPLIT}."
        )
        frame = self.tables["lots"]
        same = ["supplier", *(["item"] if frame["item"].nunique() == 1 else [])]
        return screen.table(frame.drop(columns=same), title=self.title, note=note)

    def chart(self) -> Spec:
        """Ask and break-even of each lot."""
        whys = [each for each in self.whys if isfinite(each.break_even_usd_per_lb or inf)]
        points = [
            {"lot": why.lot_id, "price": (usd_per_lb or 0.0) * LB_PER_CWT, "what": what}
            for why in whys
            for what, usd_per_lb in (
                ("ask", why.delivered_usd_per_lb), ("break-even", why.break_even_usd_per_lb),
            )
        ]  # fmt: skip
        price = charts.amount("price", f"$/cwt delivered; break-even {AS_IF_SPLIT}")
        return charts.chart(
            self.title,
            points,
            charts.layer(
                {"type": "point", "filled": True, "size": 120},
                x=price | {"scale": {"zero": False}},
                y=charts.name("lot"),
                color=charts.name("what"),
                shape=charts.name("what"),
            ),
            subtitle=day(self.case.settings.plan_on),
            height_px=28 * len(whys) + 40,
        )


def lot_line(lot: Lot) -> str:
    """A lot in one line: item, lean, pounds, supplier."""
    quantity = "no limit" if lot.quantity_lb is None else f"{lot.quantity_lb:,.0f} lb"
    place = "on hand" if lot.is_on_hand else "offered"
    supplier = f", {lot.supplier}" if lot.supplier else ""
    return f"{lot.item}: {lot.lean:.1%} lean, {quantity} {place}{supplier}"


def _status(why: WhyLot) -> str:
    if why.reason_unusable is not None:
        return why.reason_unusable
    if why.best is None:
        return "may not go into any product"
    if why.break_even_usd_per_lb is None:
        return "not at any price"
    if isinf(why.break_even_usd_per_lb):
        return "can't fill orders without it"
    return "used" if why.is_used else "not used"


def _listed(names: list[str]) -> str:
    """B90-1 to B90-3 where the numbers run on, else the names themselves."""
    stems = {name.rpartition("-")[0] for name in names}
    ends = [name.rpartition("-")[2] for name in names]
    if len(stems) == 1 and len(names) > 2 and all(end.isdigit() for end in ends):
        numbers = [int(end) for end in ends]
        if numbers == list(range(numbers[0], numbers[0] + len(numbers))):
            return f"{names[0]} to {names[-1]}"
    return ", ".join(names)
