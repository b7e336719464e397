"""The question `adjust`: what to do with a batch in the blender that tests off spec."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

from blend.check.adjust import certify_adjustment
from blend.domain.case import Case
from blend.domain.certificates import Certified
from blend.domain.correction import Act, Correction, Held, Obstacle, Reading, Terms
from blend.domain.uncertainty import ASSUMES_INDEPENDENT, LeanUncertainty, errors_words
from blend.grinder import correct
from blend.model.solver import solve_dense
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, money, printable, register
from blend.output.frames import DataFrame
from blend.units import POINTS_PER_SHARE

_P = POINTS_PER_SHARE
_CONTAINERS = {"box": "boxes"}
_CAUTIONS = (
    "Write down the lot of everything you add or take out; keep the mix at or below 40 °F (4 °C)"
    " and test it again after mixing.",
    "Check species, origin and claims against the label; rework only where the label, your HACCP"
    " plan and the inspector allow.",
)

register({"state": Format("Batch"), "cost_usd": Format("Cost", "$", 0, is_summed=True)})


def adjust(
    case: Case,
    product_id: str,
    held: Held,
    reading: Reading,
    terms: Terms,
    uncertainty: Mapping[str, LeanUncertainty] | None = None,
) -> AdjustAnswer:
    """The cheapest way to bring a batch into spec, checked independently of the solver.

    Where there is none, the limits that stop it. Raises KeyError for unknown names and
    SolverTrouble where its certificate fails.
    """
    correction = correct.correct_batch(case, product_id, held, reading, terms, uncertainty)
    certified = certify_adjustment(case, correction, terms, uncertainty, solve_dense)
    certified.must_be_valid(f"adjustment of {product_id}")
    is_short = correction.act is Act.SHORT
    in_the_way = correct.obstacles(case, product_id, held, reading, terms) if is_short else ()
    known = uncertainty or {}
    errors = errors_words(known[lot_id] for lot_id in terms.addable if lot_id in known)
    return AdjustAnswer(case, correction, certified, in_the_way, errors)


@dataclass(frozen=True)
class AdjustAnswer(Answer):
    """What to add or take out, and the batch before and after."""

    case: Case
    correction: Correction
    certificate: Certified
    in_the_way: tuple[Obstacle, ...] = ()
    errors: str = ASSUMES_INDEPENDENT
    """What its chances assume of errors."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`add`: what to add. `batch`: before and after. `in_the_way`: what keeps it off spec."""

        made = self.correction
        add = [
            (
                each.lot_id,
                self.case.lot(each.lot_id).item,
                self.case.lot(each.lot_id).fat_share * _P,
                each.pounds_lb,
                each.containers,
                each.cost_usd,
            )
            for each in made.added
        ]
        limits = (made.min_fat_share * _P, made.max_fat_share * _P)
        batch = [
            ("as tested", made.held.held_lb, made.reading.fat_share * _P, *limits,
             made.sure_before * _P),
            ("adjusted", made.finished_lb, made.fat_share * _P, *limits, made.sure_after * _P),
        ]  # fmt: skip
        in_the_way = [(self._obstacle(each), self._would_do(each)) for each in self.in_the_way]
        fat = ("fat_percent", "min_fat_percent", "max_fat_percent")
        return {
            "add": DataFrame(
                add, columns=["lot_id", "item", fat[0], "add_lb", "containers", "cost_usd"]
            ),
            "batch": DataFrame(
                batch, columns=["state", "finished_lb", *fat, "chance_in_spec_percent"]
            ),
            "in_the_way": DataFrame(in_the_way, columns=["in_the_way", "without_it"]),
        }

    @property
    def figures(self) -> Mapping[str, object]:
        made = self.correction
        return {
            "do": made.act.value,
            "take_out_lb": made.removed_lb,
            "cost_usd": made.cost_usd,
            "fat_percent": made.fat_share * _P,
            "chance_in_spec_percent": made.sure_after * _P,
            "confidence_percent": None if made.asked is None else made.asked * _P,
            "retest_clears_percent": None if made.retest is None else made.retest.clears * _P,
            "retest_saves_usd": None if made.retest is None else made.retest.saving_usd,
        }

    @property
    def headline(self) -> str:
        """The batch as it tested, against its spec."""
        made, fat = self.correction, self.correction.reading.fat_share
        tests = counted(made.reading.readings, "test")
        if fat > made.max_fat_share:
            place = "over"
        else:
            place = "under" if fat < made.min_fat_share else "in"
        chance = ""
        if made.reading.sd_share:
            said = _chance(made.sure_before)
            chance = f" {said[0].upper()}{said[1:]} it is in spec ({self.errors})."
        return (
            f"{self.case.product(made.product_id).name}: {made.held.held_lb:,.0f} lb at {fat:.1%}"
            f" fat ({tests}), {place} its spec of {_range(made)} fat.{chance}"
        )

    @property
    def steps(self) -> list[str]:
        """What to do, in order."""
        made = self.correction
        if made.act is Act.NOTHING:
            return ["Leave it: it is in spec at the confidence you ask for."]
        steps = []
        if made.act is Act.RETEST and made.retest is not None:
            clears = made.retest
            steps.append(
                f"Test it again first, {money(clears.cost_usd)}: {_chance(clears.clears)} one more"
                f" test clears it, saving {money(clears.saving_usd)} on average. If it does not:"
            )
        if made.removed_lb:
            steps.append(f"Take out {_lb(made.removed_lb)}.")
        steps += [f"Add {self._added(each.lot_id, each.pounds_lb)}." for each in made.added]
        if not steps:
            return ["Nothing on hand that you may use brings it closer."]
        steps.append(
            f"Mix and test again. Expect {_lb(made.finished_lb)} at {made.fat_share:.1%} fat,"
            f" {_chance(made.sure_after)} it is in spec ({self.errors}){self._how_sure}."
        )
        return steps

    @property
    def _how_sure(self) -> str:
        made = self.correction
        if made.act is Act.SHORT:
            return "; it comes closest but stays off spec"
        if made.is_as_sure_as_asked or made.asked is None:
            return ""
        return f"; you asked for {made.asked:.0%}, this is the most there is"

    def _added(self, lot_id: str, pounds_lb: float) -> str:
        lot = self.case.lot(lot_id)
        each = next((one for one in self.correction.added if one.lot_id == lot_id), None)
        text = f"{_lb(pounds_lb)} of {lot_id} ({lot.item}, {lot.fat_share:.1%} fat)"
        if each is not None and each.containers is not None:
            many = _CONTAINERS.get(lot.container, lot.container + "s")
            text = f"{counted(each.containers, lot.container, many)}, {text}"
        return printable(text)

    def _obstacle(self, each: Obstacle) -> str:
        """The limit that stops it, as its owner would say it."""
        rules = [
            f"rule {rule.rule_id}" + (f" ({rule.note})" if rule.note else "")
            for rule in self.case.rules
            if rule.rule_id in each.rule_ids
        ] + [
            f"{row.section} ({row.title}), which is not yours to relax"
            for row in self.case.standards
            if row.row_id in each.rule_ids
        ]
        return {
            "rules": " and ".join(rules),
            "lots": "only these lots may go in (name more with --lot)",
            "room": "the room left in the blender (--room-lb)",
            "removal": "nothing may be taken out (--allow-removal)",
            "containers": "whole containers only",
        }[each.kind]

    def _would_do(self, each: Obstacle) -> str:
        out = [f"take out {_lb(each.removed_lb)}"] if each.removed_lb else []
        added = [f"add {_lb(lb)} {lot_id}" for lot_id, lb in each.added_lb]
        return ", ".join(out + added)

    def screen(self, sections: Collection[str] = ()) -> str:
        made = self.correction
        steps = [f"{number}. {step}" for number, step in enumerate(self.steps, 1)]
        if made.added:
            steps.append(f"What you add costs {money(made.cost_usd)}.")
        do = [screen.strong("DO"), *(screen.wrapped(step, "   ") for step in steps)]
        first = [screen.wrapped(self.headline), "\n".join(do)]
        if self.in_the_way:
            first.append(
                screen.listed(
                    self.tables["in_the_way"], "in_the_way", "without_it",
                    title="LIMITS THAT STOP IT, and what would fix it without them",
                )
            )  # fmt: skip
        elif made.act is Act.SHORT:
            more = "No single limit stops it: it takes more than one change."
            first.append(screen.wrapped(more))
        offered = {"batch": self._before_and_after}
        return screen.blocks(
            [*first, screen.watch(self.cautions), screen.wrapped(self.checked)], sections, offered
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        made = self.correction
        return made.notes + (() if made.act is Act.NOTHING else _CAUTIONS)

    @property
    def checked(self) -> str:
        """What the independent check says, in one line."""
        made, gap_usd = self.correction, self.certificate.gap_usd
        not_ruled_out = "that nothing comes closer is by the solver's own bound"
        if made.act is Act.NOTHING:
            said = f"in spec at the confidence asked for ({self.errors})"
        elif made.act is Act.SHORT:
            said = "no allowed amounts come closer" if math.isfinite(gap_usd) else not_ruled_out
        elif not made.is_as_sure_as_asked:
            said = (
                "no allowed amounts reach that confidence"
                if math.isfinite(gap_usd)
                else not_ruled_out
            )
        else:
            usd = max(0.01, math.ceil(gap_usd * 100) / 100)
            said = f"no adjustment, even in parts of a pound or container, is ${usd:,.2f} cheaper"
        return f"Checked exactly, without the solver: {said}."

    def _before_and_after(self) -> str:
        return screen.table(
            self.tables["batch"],
            title="Before and after",
            note=f"Chance in spec {self.errors}; it covers the tests' and the lots' errors,"
            " not that of another test.",
        )

    def chart(self) -> Spec:
        """Fat before and after, against the spec."""
        made = self.correction
        rows = charts.rows_of(self.tables["batch"])
        field, title = "fat_percent", f"fat, %; every chance {self.errors}"
        for row in rows:
            row["label"] = f"{row[field]:.2f}%, {_chance(row['chance_in_spec_percent'] / _P)}"
        x = charts.amount(field, title, scale={"zero": False, "padding": 60}, axis={"tickCount": 8})
        y, low = charts.name("state"), x | {"field": "min"}
        band = {"min": made.min_fat_share * _P, "max": made.max_fat_share * _P, "label": "spec"}
        shade = {"type": "rect", "color": charts.GREEN, "opacity": 0.2}
        inside = {"type": "text", "baseline": "top", "align": "left", "dx": 4, "dy": 4}
        label = {"field": "label"}
        return charts.chart(
            f"{self.case.product(made.product_id).name}: fat before and after",
            {"batch": rows, "spec": [band]},
            [
                charts.layer(shade, "spec", x=low, x2={"field": "max"}),
                charts.layer(inside, "spec", x=low, y={"value": 0}, text=label),
                charts.layer({"type": "point", "filled": True, "size": 160}, "batch", x=x, y=y),
                charts.layer({"type": "text", "dy": -14}, "batch", x=x, y=y, text=label),
            ],
            subtitle=self.steps[0],
            height_px=140,
        )


def _lb(pounds: float) -> str:
    return f"{pounds:,.1f} lb".replace(".0 lb", " lb")


def _range(made: Correction) -> str:
    return f"{made.min_fat_share * _P:.1f} to {made.max_fat_share:.1%}"


def _chance(share: float) -> str:
    """Never "sure": between one and ninety-nine in a hundred."""
    if share < 0.01:
        return "less than 1% chance"
    return "more than 99% chance" if share > 0.99 else f"{share:.0%} chance"
