"""How warm the batches of a plan become, and what heat is to be taken out of them."""

from __future__ import annotations

import pytest

from blend.domain.plan import BatchRun, Bound, Ingredient, Money, Plan, PlanCertificate
from blend.grinder.temperature import batch_temperatures
from blend.lean.heat import MeatPart, enthalpy_j_per_kg, mix_temperature
from blend.tables.heat import packaged_heat
from blend.units import LB_PER_KG
from tests.published.cases import make_case, make_lot, make_product

HEAT = packaged_heat()
CASE = make_case([make_lot("lean", 0.9, 3), make_lot("fat", 0.7, 1)], [make_product(0.8, 2000)])
RUN = BatchRun("ground", 2, (Ingredient("fat", 1000), Ingredient("lean", 1000)), 2000, 0.8)
PLAN = Plan((), (RUN,), {}, Money(0, 0, 0, 0, 0, 2000), PlanCertificate((), Bound(0, 0, "", 0)))


def test_a_batch_is_the_mix_of_its_ingredients():
    (batch,) = batch_temperatures(CASE, PLAN, {"lean": -5.0, "fat": 6.0}, HEAT)
    assert batch.mix == mix_temperature([MeatPart(1000, 0.7, 6), MeatPart(1000, 0.9, -5)], HEAT)
    assert (batch.coldest_c, batch.warmest_c) == (-5, 6)
    assert batch.missing == () and batch.to_take_out_j is None


def test_heat_taken_out_of_a_batch_brings_it_to_the_limit():
    """All at 6 °C and to be 2: what 1,000 lb of each hold between the two."""
    (batch,) = batch_temperatures(CASE, PLAN, {"lean": 6.0, "fat": 6.0}, HEAT, max_c=2.0)
    held = sum(
        1000 / LB_PER_KG * (enthalpy_j_per_kg(lean, 6, HEAT) - enthalpy_j_per_kg(lean, 2, HEAT))
        for lean in (0.9, 0.7)
    )
    assert batch.to_take_out_j == pytest.approx(held)
    # About 3.4 kJ/kg °C over 4 °C and 907 kg, by the specific heat alone.
    assert batch.to_take_out_j == pytest.approx(3340 * 4 * 2000 / LB_PER_KG, rel=0.01)


def test_a_batch_with_an_unknown_lot_has_no_temperature():
    (batch,) = batch_temperatures(CASE, PLAN, {"lean": 1.0}, HEAT, max_c=2.0)
    assert batch.mix is None and batch.missing == ("fat",)
