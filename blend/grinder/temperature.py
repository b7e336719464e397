"""How warm the batches of a plan get."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from blend.domain.case import Case
from blend.domain.heat import MeatHeat, celsius, fahrenheit
from blend.domain.plan import BatchRun, Plan
from blend.domain.rules import Rule, RuleKind
from blend.errors import InputRefused, Problem
from blend.lean.heat import MeatPart, MixTemperature, excess_heat_j_per_kg, mix_temperature
from blend.output.frames import DataFrame
from blend.units import J_PER_KG_PER_BTU_PER_LB, LB_PER_KG

MAX_IN_GRINDING_F = 40.0
"""Good Retail Practices No. 4, Grinding (issuing body not shown), read: meat at or below 4 °C."""
FRESH_MIN_F, FRESH_MAX_F = 28.0, 35.0
"""Fresh beef 28 to 35 °F at all times: Defense Commissary Agency, Technical Data Sheet, April
2012, paragraph E, read. That a final grind at 28 to 32 °F smears less is from memory."""
J_PER_BTU = 1055.05585262
"""International table. NIST Special Publication 811, appendix B."""


def has_temperature_rule(case: Case) -> bool:
    return any(rule.kind is RuleKind.MAX_TEMP for rule in case.rules)


def case_with_temperature(case: Case, temperatures_c: Mapping[str, float], heat: MeatHeat) -> Case:
    """The case with the excess heat of every usable lot in its temperature rules.

    `temperatures_c` is by lot_id. Raises InputRefused with every lot whose temperature such a
    rule needs and the tables don't have.
    """
    problems: dict[str, Problem] = {}

    def excess(rule: Rule) -> tuple[tuple[str, float], ...]:
        governed = [product for product in case.products if rule.governs(product)]
        assert rule.max_temp_f is not None
        max_c = celsius(rule.max_temp_f)
        heats = []
        for lot in case.usable_lots():
            concerned = any(lot.species in product.species for product in governed)
            if concerned and lot.lot_id not in temperatures_c:
                problems[lot.lot_id] = Problem(
                    file="temperatures.csv",
                    row=None,
                    column="lot_id",
                    value=f"no row for {lot.lot_id}",
                    required="",
                    hint=f"Enter its temperature: rule {rule.rule_id} may need it.",
                )
            warm_c = temperatures_c.get(lot.lot_id, max_c)
            joule = excess_heat_j_per_kg(lot.lean, warm_c, max_c, heat)
            heats.append((lot.lot_id, joule / J_PER_KG_PER_BTU_PER_LB))
        return tuple(heats)

    rules = tuple(
        replace(rule, excess_heat_btu_per_lb=excess(rule))
        if rule.kind is RuleKind.MAX_TEMP
        else rule
        for rule in case.rules
    )
    if problems:
        raise InputRefused(tuple(problems.values()))
    return replace(case, rules=rules)


@dataclass(frozen=True, slots=True)
class BatchTemperature:
    """One recipe of a plan: what a batch of it settles at, or which lots have no temperature.

    `mix` is None exactly where `missing` names lots.
    """

    run: BatchRun
    mix: MixTemperature | None
    coldest_c: float | None
    warmest_c: float | None
    to_take_out_j: float | None = None
    """Heat that one batch brings beyond what it may hold at the maximum asked for; None where
    none was asked for."""
    missing: tuple[str, ...] = ()

    @property
    def mix_f(self) -> float | None:
        return None if self.mix is None else fahrenheit(self.mix.temperature_c)

    @property
    def remark(self) -> str:
        """What to watch in a batch, empty where nothing; * marks a rough figure."""
        if self.mix is None:
            return f"no temperature for {', '.join(self.missing)}"
        warm_f = fahrenheit(self.mix.temperature_c)
        if warm_f > MAX_IN_GRINDING_F:
            remark = f"over {MAX_IN_GRINDING_F:g} °F: chill first"
        elif warm_f > FRESH_MAX_F:
            remark = "warm"
        elif warm_f < FRESH_MIN_F:
            remark = "partly frozen"
        else:
            remark = ""
        return f"{remark} {'*' if self.mix.is_outside_lines else ''}".strip()


def temperature_frame(
    case: Case, batches: Iterable[BatchTemperature], max_f: float | None = None
) -> DataFrame:
    """One row for each recipe: its coldest and warmest lot, the mix, its ice, and with `max_f`
    the heat to take out of a batch to have it no warmer."""

    rows = []
    for each in batches:
        row = {
            "product": case.product(each.run.product_id).name,
            "batches": each.run.batches,
            "coldest_f": None if each.coldest_c is None else fahrenheit(each.coldest_c),
            "warmest_f": None if each.warmest_c is None else fahrenheit(each.warmest_c),
            "mix_f": each.mix_f,
            "ice_percent": None if each.mix is None else 100 * each.mix.ice_share,
        }
        if max_f is not None:
            out = each.to_take_out_j
            row["remove_btu"] = None if out is None else out / J_PER_BTU
        rows.append(row | {"remark": each.remark})
    return DataFrame(rows)


def batch_temperatures(
    case: Case,
    plan: Plan,
    temperatures_c: Mapping[str, float],
    heat: MeatHeat,
    max_c: float | None = None,
) -> tuple[BatchTemperature, ...]:
    """The mix temperature of every recipe, from lots' temperatures in °C; with `max_c` also the
    heat to take out of a batch to have it no warmer."""
    return tuple(_of_run(case, run, temperatures_c, heat, max_c) for run in plan.runs)


def _of_run(
    case: Case,
    run: BatchRun,
    temperatures_c: Mapping[str, float],
    heat: MeatHeat,
    max_c: float | None,
) -> BatchTemperature:
    used = [each for each in run.ingredients if each.pounds_lb > 0]
    missing = tuple(each.lot_id for each in used if each.lot_id not in temperatures_c)
    if missing:
        return BatchTemperature(run, None, None, None, missing=missing)
    parts = [
        MeatPart(each.pounds_lb, case.lot(each.lot_id).lean, temperatures_c[each.lot_id])
        for each in used
    ]
    warmths = [part.temperature_c for part in parts]
    over = None if max_c is None else max(0.0, _excess_j(parts, max_c, heat))
    return BatchTemperature(run, mix_temperature(parts, heat), min(warmths), max(warmths), over)


def _excess_j(parts: list[MeatPart], max_c: float, heat: MeatHeat) -> float:
    return sum(
        part.pounds_lb
        / LB_PER_KG
        * excess_heat_j_per_kg(part.lean, part.temperature_c, max_c, heat)
        for part in parts
    )
