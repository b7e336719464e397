"""What lean and fat are worth today, and which items are cheap or rich."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from blend.domain.lots import FORMS
from blend.domain.quotations import Quotation
from blend.errors import InputRefused, Problem, refusal
from blend.output.answer import Answer, Spec
from blend.output.charts import BLUE, GRAY, ORANGE, amount, chart, layer, name
from blend.output.formats import Format, cents, counted, day, long_day, register
from blend.output.frames import DataFrame
from blend.output.screen import table, wrapped
from blend.trader.lean_fat import (
    MIN_BASIS_DAYS,
    DayValue,
    ItemValue,
    LeanLine,
    Standing,
    change_since,
    value_days,
)
from blend.units import LB_PER_CWT, POINTS_PER_SHARE, usd_per_cwt

_ONE_POINT = 1 / POINTS_PER_SHARE
_PARTS = {"lean": "Lean", "fat": "Fat", "spread": "Lean minus fat"}
register(
    {
        "quoted_item": Format("Item"),
        "over_line_usd_per_cwt": Format("Over (under)", "$/cwt", 2, is_signed=True),
        "over_line_error_usd_per_cwt": Format("Std. error", "$/cwt", 2),
        "usual_over_usd_per_cwt": Format("Usual over (under)", "$/cwt", 2, is_signed=True),
        "earlier_days": Format("Earlier days", "", 0),
        "half_life_days": Format("Half-life", "days", 0),
        "changed_since": Format("Since"),
        **{
            f"{part}_change{error}_usd_per_cwt": Format(heading, "$/cwt", 2, is_signed=not error)
            for part in ("lean", "fat", "spread")
            for error, heading in (("", _PARTS[part]), ("_error", "±95%"))
        },
        "value_standing": Format(""),
        "adjusted_p_value": Format("p, adjusted", "", 3),
        "value_per_lean_usd_per_cwt": Format("Per cwt of its lean", "$/cwt", 2),
        "is_fitted": Format("In the line"),
        "fitted_to": Format("From"),
        **{
            f"{part}_value{error}_usd_per_cwt": Format(heading, "$/cwt", 2)
            for part in ("lean", "fat", "spread")
            for error, heading in (("", _PARTS[part]), ("_error", "±95%"))
        },
        "lean_point_usd_per_cwt": Format("One lean point", "$/cwt", 2),
        "quoted_on": Format("Day"),
        "short_proportional_usd_per_cwt": Format("Pro rata", "$/cwt", 2),
        "short_by_line_usd_per_cwt": Format("By lean and fat", "$/cwt", 2),
    }
)
_SHORT_LEAN_NOTE = (
    "One point under spec. Two ways contracts settle a lean shortage; use the one in yours. Pro"
    " rata: the lean carries the whole price. By lean and fat: a point costs what it is worth on"
    " the line."
)


@dataclass(frozen=True)
class Value(Answer):
    """Lean and fat of one species on one day, and the days before it.

    Tables: `items` (each quotation against the line), `basis` (items of another form against their
    own past), `lean_and_fat` (both fits), `short_lean` (what one point under spec is worth),
    `history` (lean and fat by day), `changes` (how they moved, week on week).
    """

    day: DayValue
    days: tuple[DayValue, ...]
    """Days of the species up to this one, in order, the last one `day` itself."""
    other_species: tuple[str, ...] = ()

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        return {
            "items": DataFrame([self._item(item) for item in self.day.items]),
            "lean_and_fat": DataFrame(
                [
                    {"fitted_to": self._pair_words} | _line_cells(self.day.two_items),
                    {"fitted_to": str(self.day.fitted.method)} | _line_cells(self.day.fitted),
                ]
            ),
            "short_lean": DataFrame([self._short_lean(item) for item in self.day.items]),
            "history": history_frame(self.days),
            "basis": DataFrame([_basis_row(item) for item in self.day.items if item.basis]),
            "changes": DataFrame(
                [_change_row(*pair) for pair in map(self._week, self.days) if pair[2] is not None]
            ),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        cells = _line_cells(self.day.fitted)
        bend = self.day.bend
        return {
            "species": self.day.species,
            "quoted_on": self.day.quoted_on,
            **cells,
            "confidence_percent": 95,
            "scatter_usd_per_cwt": usd_per_cwt(self.day.fitted.scale_usd_per_lb),
            "is_bent": None if bend is None else bend.is_established,
        }

    @property
    def _pair_words(self) -> str:
        leanest, fattest = self.day.pair
        return f"{leanest.item} and {fattest.item} only"

    def _item(self, item: ItemValue) -> dict[str, Any]:
        quotation = item.quotation
        return {
            "quoted_item": item.label,
            "fresh_or_frozen": quotation.fresh_or_frozen,
            "lean_percent": quotation.lean * POINTS_PER_SHARE,
            "quote_usd_per_cwt": quotation.usd_per_lb * LB_PER_CWT,
            "line_usd_per_cwt": item.line_usd_per_lb * LB_PER_CWT,
            "over_line_usd_per_cwt": item.distance_usd_per_lb * LB_PER_CWT,
            "value_standing": standing_word(item),
            "usual_over_usd_per_cwt": item.basis and item.basis.mean_usd_per_lb * LB_PER_CWT,
            "over_line_error_usd_per_cwt": usd_per_cwt(item.error_usd_per_lb),
            "adjusted_p_value": item.p_value,
            "value_per_lean_usd_per_cwt": item.usd_per_lean_lb * LB_PER_CWT,
            "is_fitted": item.is_fitted,
        }

    def _week(self, day: DayValue) -> tuple[DayValue, DayValue, LeanLine | None]:
        """A day, the earlier one nearest to a week before it, and the change between them."""
        earlier = [each for each in self.days if each.quoted_on < day.quoted_on]
        before = min(earlier, key=lambda each: abs((day.quoted_on - each.quoted_on).days - 7),
                     default=day)  # fmt: skip
        return day, before, change_since(before, day) if earlier else None

    def _short_lean(self, item: ItemValue) -> dict[str, Any]:
        quotation = item.quotation
        proportional, by_line = self.day.off_lean(quotation, quotation.lean - _ONE_POINT)
        return {
            "quoted_item": item.label,
            "lean_percent": quotation.lean * POINTS_PER_SHARE,
            "quote_usd_per_cwt": quotation.usd_per_lb * LB_PER_CWT,
            "short_proportional_usd_per_cwt": proportional * LB_PER_CWT,
            "short_by_line_usd_per_cwt": by_line * LB_PER_CWT,
        }

    # Screen

    def screen(self, sections: Collection[str] = ()) -> str:
        parts = [self._head(), self._items_text(), self._notes()]
        every = "all" in sections
        if every or "history" in sections:
            parts.append(table(self.tables["history"], title="Lean and fat by day"))
            parts.append(table(self.tables["changes"], title="Change on the week"))
        if every or "short-lean" in sections:
            title = "What one lean point under spec is worth"
            parts.append(table(self.tables["short_lean"], title=title, note=_SHORT_LEAN_NOTE))
        if every or "stats" in sections:
            parts.append(self._stats())
        if not sections:
            parts.append(
                wrapped(
                    "More: --history, --short-lean (what one point under spec is worth), --stats."
                    " Chart: --chart FILE"
                )
            )
        return "\n".join(parts)

    def _head(self) -> str:
        line = self.day.fitted
        of_day = f"{self.day.species.capitalize()} trimmings, {long_day(self.day.quoted_on)}, $/cwt"
        lean, fat = _with_error(line, "lean"), _with_error(line, "fat")
        basis = " (±95%)" if line.degrees else " (too few items for error limits)"
        words = (
            f"Lean {lean}, fat {fat}{basis}. One point is worth"
            f" {cents(line.point_usd_per_lb * LB_PER_CWT)}"
        )
        parts = [of_day, wrapped(words + ".")]
        _, before, change = self._week(self.day)
        if change is not None:
            moved = ", ".join(
                f"{_PARTS[part].lower()} {_with_error(change, part, '+.2f')}" for part in _PARTS
            )
            parts.append(wrapped(f"Since {day(before.quoted_on)}: {moved}."))
        return "\n".join(parts)

    def _items_text(self) -> str:
        columns = [
            "quoted_item",
            "quote_usd_per_cwt",
            "line_usd_per_cwt",
            "over_line_usd_per_cwt",
            "value_standing",
        ]
        if any(item.basis for item in self.day.items):
            columns.append("usual_over_usd_per_cwt")
        return table(self.tables["items"], columns)

    def _notes(self) -> str:
        items = self.day.items
        notes = []
        if any(not item.is_fitted for item in items):
            form = next(item for item in items if not item.is_fitted).quotation.fresh_or_frozen
            other = {"frozen": "fresh", "fresh": "frozen"}.get(form, "other")
            past = [item.basis for item in items if item.basis and item.basis.is_enough]
            judged = "judged against its own earlier distances (--stats)"
            if not past:
                judged = f"not rated: that takes {MIN_BASIS_DAYS} earlier days"
            notes.append(
                f"* {form.capitalize()} against the {other} line, before thaw loss and freight:"
                f" see blend landed; {judged}."
            )
        if all(item.standing is Standing.TOO_FEW for item in items if item.is_fitted):
            notes.append("Too few items to say which are cheap or rich.")
        else:
            notes.append(
                "Line: fitted to the other items, outliers left out. Cheap or rich: off by more"
                " than scatter explains; at most 1 fair day in 20 has any, if scatter is normal."
            )
        if self.day.bend is not None and self.day.bend.is_established:
            notes.append(
                "The line is curved today, so its items are tested against the curve (--stats)."
            )
        if self.day.fitted.fat_usd_per_lb < 0:
            notes.append("Fat is negative by arithmetic, not a price anyone pays.")
        if self.other_species:
            names = ", ".join(self.other_species)
            notes.append(f"Also quoted: {names}. Choose with --species.")
        return "\n".join(map(wrapped, notes))

    def _stats(self) -> str:
        columns = [
            "quoted_item",
            "line_usd_per_cwt",
            "over_line_usd_per_cwt",
            "over_line_error_usd_per_cwt",
            "adjusted_p_value",
            "value_per_lean_usd_per_cwt",
            "is_fitted",
        ]
        judged = [item.degrees_of_freedom for item in self.day.items if item.p_value is not None]
        note = (
            "Each item against a least-squares line through the other fitted items that are not"
            " off; judged against a parabola through them, so that a curved market makes nothing"
            " cheap or rich. Items that hide each other are looked for together. p is adjusted for"
            " looking at every item (Bonferroni); below 0.05 an item is called cheap or rich."
        )
        if judged:
            note += f" t with {counted(judged[0], 'degree')} of freedom for the line."
        fits = table(self.tables["lean_and_fat"], title="Lean and fat, two ways")
        items = table(self.tables["items"], columns, title="Each item against the line", note=note)
        parts = [fits, self._bend_words(), items]
        if len(self.tables["basis"]):
            note = (
                "Std. errors: of today from the usual, which counts days that move together as"
                " fewer. Half-life: how long half of a distance from the usual lasts; blank where"
                " no pull back shows."
            )
            parts.append(table(self.tables["basis"], title="Against its own past", note=note))
        return "\n".join(parts)

    def _bend_words(self) -> str:
        bend = self.day.bend
        if bend is None:
            return "Too few items to test whether the line is curved."
        at_fattest, at_leanest = (
            cents(usd * LB_PER_CWT)
            for usd in (bend.point_at_fattest_usd_per_lb, bend.point_at_leanest_usd_per_lb)
        )
        error = cents(bend.error_usd_per_lb * LB_PER_CWT)
        verdict = "no curve beyond the scatter"
        if bend.is_established:
            rises = bend.difference_usd_per_lb > 0
            verdict = "lean is scarce relative to fat" if rises else "lean is plentiful"
        return wrapped(
            f"On a curve, a lean point is worth {at_fattest}/cwt at the fattest item and"
            f" {at_leanest} at the leanest (standard error of the difference {error}): {verdict}."
        )

    # Chart

    def chart(self) -> Spec:
        return items_chart(self.day)


def value(
    quotations: Sequence[Quotation],
    *,
    species: str | None = None,
    on: date | None = None,
    fit: str = "fresh",
    by_pounds: bool = False,
) -> Value:
    """What lean and fat of one species are worth on one day, from quotations.

    `species` and `on` default to what is quoted most and to the last day that has a line. `fit`
    is the form of the items the line goes through: "fresh", "frozen" or "all". `by_pounds` takes
    a quotation's variance to fall as the pounds behind it grow. Raises InputRefused where the
    species, the day or the pounds are not there.
    """
    chosen = choose_species(quotations, species)
    own = [each for each in quotations if each.species == chosen]
    if by_pounds and any(each.pounds_lb is None for each in own):
        raise refused("pounds_lb", "blank in some rows: enter pounds in every row")
    days = value_days(own, fresh_or_frozen=None if fit == "all" else fit, by_pounds=by_pounds)
    if not days:
        raise refused("lean", f"no day has a line of {fit} items: enter two of different lean")
    known = [each.quoted_on for each in days]
    if on is not None and on not in known:
        items = "items" if fit == "all" else f"{fit} items"
        nothing = f"no two quotations of {chosen} {items} on {day(on)}"
        latest = f"Latest day with some: {day(known[-1])}; first: {day(known[0])}."
        raise refusal("quotations", "quoted_on", nothing, "", latest)
    upto = tuple(each for each in days if on is None or each.quoted_on <= on)
    others = sorted({each.species for each in quotations} - {chosen})
    return Value(upto[-1], upto, tuple(others))


FITS = (*FORMS, "all")


def choose_species(quotations: Sequence[Quotation], species: str | None) -> str:
    """The species asked for, else the one quoted most."""
    counts = Counter(each.species for each in quotations)
    if species and species not in counts:
        raise refused("species", species, f"a species quoted: {', '.join(sorted(counts))}")
    return species or counts.most_common(1)[0][0]


def refused(column: str, value: str, required: str = "") -> InputRefused:
    """Without `required`, `value` says all that is wrong."""
    return InputRefused([Problem("quotations", None, column, value, required)])


def history_frame(days: Sequence[DayValue]) -> DataFrame:
    """Lean, fat and their difference by day, by the robust fit."""

    return DataFrame(
        [
            {"quoted_on": each.quoted_on, "species": each.species} | _line_cells(each.fitted)
            for each in days
        ]
    )


def standing_word(item: ItemValue) -> str:
    """CHEAP, RICH or nothing, with * for an item that is not in the line."""
    is_off = item.standing in (Standing.CHEAP, Standing.RICH)
    return (item.standing.value.upper() if is_off else "") + ("" if item.is_fitted else "*")


def items_chart(value: DayValue) -> Spec:
    """Quotes over lean with the fitted line, and below each item's distance with its error."""
    rows = [
        {
            "item": item.label,
            "lean": round(item.quotation.lean * POINTS_PER_SHARE, 2),
            "quote": item.quotation.usd_per_lb * LB_PER_CWT,
            "over": item.distance_usd_per_lb * LB_PER_CWT,
            "low": (item.distance_usd_per_lb - _reach(item)) * LB_PER_CWT,
            "high": (item.distance_usd_per_lb + _reach(item)) * LB_PER_CWT,
            "kind": _kind(item),
            "label": f"{item.distance_usd_per_lb * LB_PER_CWT:+.2f} {standing_word(item)}".strip(),
        }
        for item in value.items
    ]
    leans = [item.quotation.lean for item in value.items]
    steps = [min(leans) + (max(leans) - min(leans)) * step / 40 for step in range(41)]
    trend = value.trend
    quantile = trend.t_quantile if trend.degrees else 0.0
    line = [
        {
            "lean": lean * POINTS_PER_SHARE,
            "line": trend.at(lean) * LB_PER_CWT,
            "low": (trend.at(lean) - quantile * (trend.error_at(lean) or 0.0)) * LB_PER_CWT,
            "high": (trend.at(lean) + quantile * (trend.error_at(lean) or 0.0)) * LB_PER_CWT,
        }
        for lean in steps
    ]
    x = amount("lean", "lean, %", scale={"zero": False, "padding": 40})
    quote, low, fit = (
        amount(field, "$/cwt", scale={"zero": False}) for field in ("quote", "low", "line")
    )
    colors = {"in the line": BLUE, "cheap or rich": ORANGE, "other form": GRAY}
    kinds = [kind for kind in colors if any(row["kind"] == kind for row in rows)]
    scale = {"domain": kinds, "range": [colors[kind] for kind in kinds]}
    color = name("kind", scale=scale, legend={"orient": "top"})
    names = [
        layer({"type": "text", "align": align, "dx": shift, "dy": shift / 2}, "items",
              x=x, y=quote, text=name("item"))
        | {"transform": [{"filter": f"datum.over {compare} 0"}]}
        for compare, align, shift in ((">=", "right", -8), ("<", "left", 8))
    ]  # fmt: skip
    dot = {"type": "point", "filled": True, "size": 70}
    prices: Spec = {
        "width": 640,
        "height": 300,
        "layer": [
            layer({"type": "area", "opacity": 0.15}, "line", x=x, y=low, y2={"field": "high"}),
            layer("line", "line", x=x, y=fit),
            layer(dot, "items", x=x, y=quote, color=color, tooltip=_TIP),
            *names,
        ],
    }
    rows.sort(key=lambda row: (row["lean"], row["item"]))
    item, off = name("item"), "over or under the line of the others, $/cwt"
    padded = {"padding": 12}
    over, low = amount("over", off, scale=padded), amount("low", off, scale=padded)
    label = {"type": "text", "align": "left", "dx": 8, "fontSize": 11}
    distances: Spec = {
        "width": 640,
        "height": {"step": 20},
        "layer": [
            layer({"type": "rule", "strokeWidth": 2}, "items",
                  x=low, x2={"field": "high"}, y=item, color=color),
            layer(dot, "items", x=over, y=item, color=color, tooltip=_TIP),
            layer(label, "items", x={"value": 640}, y=item, text=name("label")),
            layer("rule", x={"datum": 0}) | {"data": {"values": [{}]}},
        ],
    }  # fmt: skip
    fitted = value.fitted
    point = cents(fitted.point_usd_per_lb * LB_PER_CWT)
    errors = "bars, band: 95%" if fitted.degrees else "too few items for error limits"
    return chart(
        f"What lean and fat are worth: {value.species}, {day(value.quoted_on)}",
        {"items": rows, "line": line},
        {"vconcat": [prices, distances]},
        subtitle=f"Lean {_with_error(fitted, 'lean')}, fat {_with_error(fitted, 'fat')} $/cwt; one"
        f" lean point {point}. Quotations; {errors}.",
        description=f"{counted(len(rows), 'item')} of {value.species} by lean, and the line."
        f" {' '.join(standing_lines(value))}",
    )


_TIP: list[Spec] = [
    {"field": "item", "title": "Item"},
    {"field": "quote", "title": "Quote, $/cwt", "format": ",.2f"},
    {"field": "over", "title": "Over or under the line", "format": "+,.2f"},
]


def history_chart(days: Sequence[DayValue]) -> Spec:
    """Lean minus fat by day with its 95% limits."""
    rows = [
        {
            "day": str(each.quoted_on),
            "spread": each.fitted.spread_usd_per_lb * LB_PER_CWT,
            "low": (each.fitted.spread_usd_per_lb - _limit(each.fitted, "spread")) * LB_PER_CWT,
            "high": (each.fitted.spread_usd_per_lb + _limit(each.fitted, "spread")) * LB_PER_CWT,
        }
        for each in days
    ]
    x = {"field": "day", "type": "temporal", "title": None, "axis": {"format": "%b %d"}}
    spread, low = (amount(field, "$/cwt", scale={"zero": False}) for field in ("spread", "low"))
    bar = {"type": "rule", "color": GRAY, "strokeWidth": 3}
    return chart(
        f"Lean minus fat, {days[0].species}",
        rows,
        [
            layer(bar, x=x, y=low, y2={"field": "high"}),
            layer({"type": "line", "point": True}, x=x, y=spread),
        ],
        subtitle=f"{day(days[0].quoted_on)} to {day(days[-1].quoted_on)}; bars: 95%.",
        description=f"Lean minus fat on {counted(len(days), 'day')}; last"
        f" {rows[-1]['spread']:,.2f} $/cwt.",
        height_px=220,
    )


def standing_lines(value: DayValue) -> list[str]:
    """Which items are rich and which are cheap, furthest off first."""
    lines = []
    for standing, side in ((Standing.RICH, "over"), (Standing.CHEAP, "under")):
        off = [item for item in value.items if item.standing is standing]
        off.sort(key=lambda item: -abs(item.distance_usd_per_lb))
        if off:
            words = ", ".join(
                f"{item.label} {cents(abs(item.distance_usd_per_lb) * LB_PER_CWT)}" for item in off
            )
            lines.append(f"{standing.capitalize()}, {side} the line of the other items: {words}.")
    if not lines:
        too_few = all(item.standing is not Standing.IN_LINE for item in value.items)
        lines.append(
            "Too few items to say which are cheap or rich."
            if too_few
            else "No item is off the line by more than scatter explains."
        )
    return lines


def _kind(item: ItemValue) -> str:
    if item.standing in (Standing.CHEAP, Standing.RICH):
        return "cheap or rich"
    return "in the line" if item.is_fitted else "other form"


def _reach(item: ItemValue) -> float:
    """Half of a 95% interval of the item's distance, USD per lb; 0 where there is none."""
    from scipy.stats import t

    if item.error_usd_per_lb is None or not item.degrees_of_freedom:
        return 0.0
    return float(t.ppf(0.975, item.degrees_of_freedom)) * item.error_usd_per_lb


def _limit(line: LeanLine, part: str) -> float:
    """Half of the 95% interval of the lean, fat or spread price, USD per lb; 0 without one."""
    error = getattr(line, f"{part}_error_usd_per_lb")
    return 0.0 if error is None or not line.degrees else line.t_quantile * error


def _with_error(line: LeanLine, part: str, written: str = ".0f") -> str:
    price = getattr(line, f"{part}_usd_per_lb") * LB_PER_CWT
    limit = _limit(line, part) * LB_PER_CWT
    return f"{price:{written}} ±{limit:{written.lstrip('+')}}" if limit else f"{price:{written}}"


def _basis_row(item: ItemValue) -> dict[str, Any]:
    assert item.basis is not None
    basis = item.basis
    return {
        "quoted_item": item.label,
        "over_line_usd_per_cwt": item.distance_usd_per_lb * LB_PER_CWT,
        "usual_over_usd_per_cwt": basis.mean_usd_per_lb * LB_PER_CWT,
        "usual_spread_usd_per_cwt": basis.sd_usd_per_lb * LB_PER_CWT,
        "z_score": basis.z,
        "half_life_days": basis.half_life_days,
        "earlier_days": basis.days,
        "adjusted_p_value": item.p_value,
    }


def _change_row(now: DayValue, before: DayValue, change: LeanLine | None) -> dict[str, Any]:
    assert change is not None
    cells = {
        name.replace("_value", "_change"): value
        for name, value in _line_cells(change).items()
        if "_value" in name
    }
    return {"quoted_on": now.quoted_on, "changed_since": before.quoted_on} | cells


def _line_cells(line: LeanLine) -> dict[str, float | None]:
    """Prices of a line with the half-widths of their 95% intervals."""
    cells: dict[str, float | None] = {}
    for part in ("lean", "fat", "spread"):
        cells[f"{part}_value_usd_per_cwt"] = getattr(line, f"{part}_usd_per_lb") * LB_PER_CWT
        cells[f"{part}_value_error_usd_per_cwt"] = (_limit(line, part) * LB_PER_CWT) or None
    return cells | {"lean_point_usd_per_cwt": line.point_usd_per_lb * LB_PER_CWT}
