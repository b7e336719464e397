"""Substitutes: the cheapest mix that does what an item does, in each product that may have it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.quotations import Quotation
from blend.domain.replacement import Replacement, ReplacementRules
from blend.domain.rules import Loss
from blend.errors import InputRefused, Problem, did_you_mean
from blend.output.answer import Answer, Spec
from blend.output.charts import amount, chart, layer, name
from blend.output.formats import Format, counted, day, register
from blend.output.frames import DataFrame
from blend.output.screen import table, wrapped
from blend.trader.replacement import lots_of, replacement_values, replacements_in
from blend.units import LB_PER_CWT, POINTS_PER_SHARE, usd_per_cwt

register(
    {
        "replaced": Format("Item"),
        "in_product": Format("In"),
        "overpriced_by_usd_per_cwt": Format("Over- priced by", "$/cwt", 2, is_signed=True),
        "use_instead": Format("Use instead, lb per lb"),
        "lean_worth_usd_per_lean_cwt": Format("Lean worth", "$/cwt", 2),
        "fat_worth_usd_per_fat_cwt": Format("Fat worth", "$/cwt", 2),
    }
)
TRIMMINGS_ONLY = ReplacementRules(any_meat_class=False)
_MAX_ROWS = 24
_MIN_USD_PER_CWT = 0.005


@dataclass(frozen=True)
class Found:
    """The substitute of one lot in one product, None where it is for any product."""

    product_id: str | None
    replacement: Replacement


@dataclass(frozen=True)
class Substitutes(Answer):
    """For each lot and product, the cheapest mix of the others with equal lean after losses.

    Table `substitutes`, most overpriced first; lots without a substitute last. `basis` says
    which meat a mix was made of.
    """

    lots: Mapping[str, Lot]
    found: tuple[Found, ...]
    basis: str

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        rows = [self._row(each) for each in sorted(self.found, key=_most_overpriced)]
        return {"substitutes": DataFrame(rows)}

    def _row(self, each: Found) -> dict[str, Any]:
        replacement = each.replacement
        lot = self.lots[replacement.lot_id]
        prices = replacement.prices
        return {
            "replaced": lot.lot_id,
            "item": lot.item,
            "in_product": each.product_id or "any product",
            "lean_percent": lot.lean * POINTS_PER_SHARE,
            "own_usd_per_cwt": replacement.own_usd_per_lb * LB_PER_CWT,
            "substitute_usd_per_cwt": usd_per_cwt(replacement.usd_per_lb),
            "overpriced_by_usd_per_cwt": usd_per_cwt(replacement.own_above_usd_per_lb),
            "use_instead": " + ".join(f"{p.lb_per_lb:.3f} {p.lot_id}" for p in replacement.mix)
            or "no substitute",
            "lean_worth_usd_per_lean_cwt": usd_per_cwt(prices.lean_usd_per_lb if prices else None),
            "fat_worth_usd_per_fat_cwt": usd_per_cwt(prices.fat_usd_per_lb if prices else None),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        frame = self.tables["substitutes"]
        over = frame[frame["overpriced_by_usd_per_cwt"].astype(float) > _MIN_USD_PER_CWT]
        return {
            "lots": len(self.lots),
            "overpriced_lots": int(over["replaced"].nunique()) if len(over) else 0,
            "basis": self.basis,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        frame = self.tables["substitutes"]
        every = "all" in sections or "every" in sections
        columns = [
            "replaced",
            "in_product",
            "own_usd_per_cwt",
            "substitute_usd_per_cwt",
            "overpriced_by_usd_per_cwt",
            "use_instead",
        ]
        if len({each.product_id for each in self.found}) == 1:
            columns.remove("in_product")
        best = frame.drop_duplicates("replaced")
        what = "lot" if any(each.product_id for each in self.found) else "item"
        count, of = self.figures["overpriced_lots"], counted(len(best), what)
        words = f"{count} of {of} cost more than a mix that does the same. {self.basis}"
        shown = frame if every else best.head(_MAX_ROWS)
        notes = []
        if not every and len(best) > _MAX_ROWS:
            notes.append(f"{_MAX_ROWS} of {of}.")
        if not every and len(frame) > len(best):
            notes.append("Each lot where it is most overpriced; every product with --every.")
        notes.append("As if any pounds of each could be had.")
        return "\n".join([wrapped(words), table(shown, columns, note=" ".join(notes))])

    def chart(self) -> Spec:
        best = self.tables["substitutes"].drop_duplicates("replaced")
        there = best[best["overpriced_by_usd_per_cwt"].notna()]
        rows = [
            {"lot": lot if lot == item else f"{lot} {item}", "over": over, "use": use}
            for lot, item, over, use in zip(
                there["replaced"],
                there["item"],
                there["overpriced_by_usd_per_cwt"],
                there["use_instead"],
                strict=True,
            )
        ]
        return chart(
            "Overpriced and underpriced against the cheapest mix that does the same",
            rows,
            layer(
                "bar",
                x=amount("over", "overpriced by (under: cheaper than its substitute), $/cwt"),
                y=name("lot", axis={"labelLimit": 260}),
                tooltip=[name("lot", "Lot"), amount("over", "By"), name("use", "Use instead")],
            ),
            subtitle=self.basis,
            height_px=max(120, 18 * len(rows)),
        )  # fmt: skip

    @property
    def by_lot(self) -> dict[str, Replacement]:
        """Of each lot the substitute it is most overpriced against."""
        best: dict[str, Replacement] = {}
        for each in sorted(self.found, key=_most_overpriced):
            best.setdefault(each.replacement.lot_id, each.replacement)
        return best


def substitute(
    case: Case, *, product_id: str | None = None, rules: ReplacementRules = TRIMMINGS_ONLY
) -> Substitutes:
    """Substitutes of today's usable lots, in every product that may have them or in one.

    Prices are delivered, for stock what it costs to buy again, after all losses of the product; a
    mix has only meat that the product's rules allow. Raises InputRefused for an unknown product.
    """
    known = [product.product_id for product in case.products]
    if product_id is not None and product_id not in known:
        allowed = f"one of {', '.join(known)}"
        problem = Problem("products", None, "product_id", product_id, allowed,
                          did_you_mean(product_id, known))  # fmt: skip
        raise InputRefused([problem])
    lots = case.usable_lots()
    found = [
        Found(product.product_id, replacement)
        for product in case.products
        if product_id in (None, product.product_id)
        for replacement in replacements_in(case, product, lots, rules)
    ]
    on = day(case.settings.plan_on)
    basis = (
        f"Lots of {on} at what they cost to buy today, after {_steps(case.losses)}; only meat "
        f"the product's rules allow{_words(rules)}."
    )
    return Substitutes(_of_found(lots, found), tuple(found), basis)


def substitute_quoted(
    quotations: Sequence[Quotation],
    losses: Iterable[Loss] = (),
    rules: ReplacementRules = TRIMMINGS_ONLY,
) -> Substitutes:
    """Substitutes among the last day's quotations, after the losses given; for any product."""
    losses = tuple(losses)
    last = max(each.quoted_on for each in quotations)
    lots = lots_of(each for each in quotations if each.quoted_on == last)
    found = [Found(None, each) for each in replacement_values(lots, losses, rules)]
    general = [loss for loss in losses if not loss.products]
    after = f"after {_steps(general)}" if general else "before losses (none in this folder)"
    basis = f"Quotations of {day(last)}, {after}; product rules are not checked{_words(rules)}."
    return Substitutes(_of_found(lots, found), tuple(found), basis)


def _of_found(lots: Iterable[Lot], found: Iterable[Found]) -> dict[str, Lot]:
    ids = {each.replacement.lot_id for each in found}
    return {lot.lot_id: lot for lot in lots if lot.lot_id in ids}


def _most_overpriced(each: Found) -> tuple[bool, float, str, str]:
    over = each.replacement.own_above_usd_per_lb
    return over is None, -(over or 0.0), each.replacement.lot_id, each.product_id or ""


def _steps(losses: Iterable[Loss]) -> str:
    steps = list(dict.fromkeys(loss.step for loss in losses))
    return f"losses ({', '.join(steps)})" if steps else "no losses (none in your sheet)"


def _words(rules: ReplacementRules) -> str:
    words = [f"among {rules.among}"] if str(rules.among) else []
    words.append("any meat class" if rules.any_meat_class else "no head, cheek or the like")
    if not rules.keep_label_claims:
        words.append("whatever their claims")
    if rules.max_share < 1:
        words.append(f"at most {rules.max_share:.0%} of one item")
    return "".join(f", {each}" for each in words)
