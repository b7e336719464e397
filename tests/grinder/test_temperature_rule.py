"""A warmth rule holds a plan's batches at or below a temperature, by the balance of heat."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.domain.heat import celsius, fahrenheit
from blend.domain.plan import Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.errors import InputRefused, NoPlan
from blend.grinder.plan import make_plan
from blend.grinder.temperature import batch_temperatures, case_with_temperature
from blend.model.solve import solve_linear
from blend.tables.heat import packaged_heat
from tests.published.cases import make_case, make_lot, make_product
from tests.reference import solve_reference

HEAT = packaged_heat()
WARM_F, COLD_F = 39.0, 33.0
TEMPERATURES_C = {"warm": celsius(WARM_F), "cold": celsius(COLD_F)}


def case_at_max(max_f: float | None):
    """Two lots alike but in price and warmth: the cheap one is the warm one."""
    case = make_case(
        [make_lot("warm", 0.80, 2.00), make_lot("cold", 0.80, 2.50)],
        [make_product(0.80, 10_000)],
    )
    if max_f is None:
        return case
    rule = Rule("cold", RuleKind.MAX_TEMP, max_temp_f=max_f)
    return case_with_temperature(replace(case, rules=(rule,)), TEMPERATURES_C, HEAT)


@pytest.mark.parametrize("max_f", [34.0, 36.0, 38.5])
def test_the_blend_is_just_as_warm_as_it_may_be(max_f):
    case = case_at_max(max_f)
    plan = make_plan(case)
    (batch,) = batch_temperatures(case, plan, TEMPERATURES_C, HEAT)
    # whole pounds of a 2,000 lb batch move it by less than a hundredth of a degree
    assert fahrenheit(batch.mix.temperature_c) == pytest.approx(max_f, abs=0.01)
    (check,) = [
        each
        for each in plan.certificate.checks
        if each.requirement.constraint_class is ConstraintClass.MAX_TEMP
    ]
    assert check.verdict in (Verdict.MET, Verdict.WITHIN_ROUNDING)
    bound = plan.certificate.bound
    assert bound.objective_usd == pytest.approx(bound.bound_usd, rel=1e-9)
    (value,) = [
        w for w in plan.shadow_prices if w.requirement.constraint_class is ConstraintClass.MAX_TEMP
    ]
    assert value.loosening_saves_usd > 0


@pytest.mark.parametrize("solver", ["cbc", "highs"])
def test_the_reference_agrees(solver):
    case = case_at_max(35.0)
    reference = solve_reference(case, relax=True, solver=solver)
    assert solve_linear(case).objective_usd == pytest.approx(reference.objective_usd, rel=1e-6)


def test_no_plan_where_every_lot_is_too_warm():
    with pytest.raises(NoPlan) as caught:
        make_plan(case_at_max(32.5))
    constraint_classes = {
        requirement.constraint_class for requirement in caught.value.infeasible.requirements
    }
    assert ConstraintClass.MAX_TEMP in constraint_classes


def test_every_lot_without_a_temperature_is_named():
    rule = Rule("cold", RuleKind.MAX_TEMP, max_temp_f=36.0)
    case = replace(case_at_max(None), rules=(rule,))
    with pytest.raises(InputRefused) as caught:
        case_with_temperature(case, {}, HEAT)
    assert [problem.value for problem in caught.value.problems] == [
        "no row for cold",
        "no row for warm",
    ]
