"""The heat balance against published heat data, and physics."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.heat import celsius, fahrenheit
from blend.lean.heat import (
    MeatPart,
    composition,
    enthalpy_j_per_kg,
    excess_heat_j_per_kg,
    ice_share,
    mix_temperature,
)
from blend.tables.heat import packaged_heat

HEAT = packaged_heat()
KJ_PER_BTU_LB = 2.326
"""kJ/kg in a Btu/lb, exact; and 4.1868 kJ/kg °C in a Btu/lb F. NIST SP 811, appendix B."""


def specific_heat_kj(lean: float, min_c: float, max_c: float) -> float:
    between = [enthalpy_j_per_kg(lean, each, HEAT) for each in (min_c, max_c)]
    return (between[1] - between[0]) / (max_c - min_c) / 1000


def lean_with_water(water_share: float) -> float:
    """By the published line: water = 77.0 - 0.758 fat."""
    return 1 - (0.770 - water_share) / 0.758


@pytest.mark.parametrize(
    ("lean", "j_per_kg_c"),
    [(0.70, 3180), (0.75, 3260), (0.80, 3339), (0.85, 3418), (0.90, 3496), (0.95, 3575)],
)
def test_component_rule_at_freezing(lean, j_per_kg_c):
    """Choi and Okos 1986 on ground beef of the Standard Reference, worked apart at 0 °C."""
    assert specific_heat_kj(lean, 0, 0.01) * 1000 == pytest.approx(j_per_kg_c, abs=2)


@pytest.mark.parametrize(
    ("what", "lean", "published_kj", "within"),
    [
        ("ASHRAE Refrigeration, table 3: carcass, choice, 0.77 Btu/lb.F", 0.76, 3.22, 0.02),
        ("ASHRAE Refrigeration, table 3: round, lean, 0.84 Btu/lb.F", 0.95, 3.52, 0.02),
        ("Morley 1972: lean, 72 to 74.5% water, 3.43 to 3.6", lean_with_water(0.73), 3.52, 0.03),
        ("Morley 1972: fatty, 51% water", lean_with_water(0.51), 2.89, 0.08),
        ("Earle, appendix 7: beef, 75% water", lean_with_water(0.75), 3.22, 0.13),
    ],
)
def test_specific_heat_above_freezing(what, lean, published_kj, within):
    """Earle's own beef lies 9% below ASHRAE's, so sources differ by as much as we do."""
    assert specific_heat_kj(lean, 0, 10) == pytest.approx(published_kj, rel=within)


def test_specific_heat_below_freezing():
    """ASHRAE Refrigeration, table 3: carcass, choice, 0.55 Btu/lb.F."""
    assert specific_heat_kj(0.76, -40, -30) == pytest.approx(0.55 * 4.1868, rel=0.03)


def test_latent_heat_of_all_water():
    """ASHRAE Refrigeration, table 3: carcass 82, sirloin 103 Btu/lb."""
    for lean, btu in ((0.76, 82), (0.95, 103)):
        latent = composition(lean, HEAT)["water"] * HEAT.latent_j_per_kg_water / 1000
        assert latent == pytest.approx(btu * KJ_PER_BTU_LB, rel=0.05)


def test_heat_of_thawing_lean_beef():
    """Riedel's table in ASHRAE Refrigeration: lean beef, 74.5% water, 304 kJ/kg at 0 °C and 42
    at -20, both against -40 (from memory)."""
    lean = lean_with_water(0.745)
    at = {t: enthalpy_j_per_kg(lean, t, HEAT) / 1000 for t in (-40, -20, 0)}
    assert at[0] - at[-40] == pytest.approx(304, rel=0.04)
    assert at[0] - at[-20] == pytest.approx(304 - 42, rel=0.08)


# Physics ---------------------------------------------------------------------------------------

part = st.builds(
    MeatPart,
    pounds_lb=st.floats(1, 5000),
    lean=st.floats(0.3, 0.97),
    temperature_c=st.floats(-30, 15),
)


@given(st.lists(part, min_size=1, max_size=6))
def test_no_heat_is_made_or_lost(parts):
    mix = mix_temperature(parts, HEAT)
    brought = sum(p.pounds_lb * enthalpy_j_per_kg(p.lean, p.temperature_c, HEAT) for p in parts)
    held = sum(p.pounds_lb * enthalpy_j_per_kg(p.lean, mix.temperature_c, HEAT) for p in parts)
    assert held == pytest.approx(brought, abs=1.0 * sum(p.pounds_lb for p in parts))
    ends = [p.temperature_c for p in parts]
    assert min(ends) - 1e-9 <= mix.temperature_c <= max(ends) + 1e-9


@given(st.floats(0.1, 0.98), st.floats(-40, 20), st.floats(0.01, 20))
def test_warmer_meat_holds_more_heat(lean, cold, more):
    warm = cold + more
    assert enthalpy_j_per_kg(lean, warm, HEAT) > enthalpy_j_per_kg(lean, cold, HEAT)
    assert ice_share(lean, warm, HEAT) <= ice_share(lean, cold, HEAT)


@given(st.lists(part, min_size=2, max_size=5), st.floats(0.1, 10))
def test_a_warmer_ingredient_makes_no_colder_mix(parts, more):
    first = parts[0]
    warmer = [MeatPart(first.pounds_lb, first.lean, first.temperature_c + more), *parts[1:]]
    before, after = (mix_temperature(each, HEAT).temperature_c for each in (parts, warmer))
    assert after >= before - 1e-9


@given(st.lists(part, min_size=1, max_size=5), st.floats(-10, 10))
@settings(max_examples=50)
def test_a_limit_on_temperature_is_linear_in_the_weights(parts, max_c):
    """The mix is no warmer than a limit exactly where weighted excess heats sum to nothing."""
    excess = sum(
        p.pounds_lb * excess_heat_j_per_kg(p.lean, p.temperature_c, max_c, HEAT) for p in parts
    ) / sum(p.pounds_lb for p in parts)
    if abs(excess) > 1:
        assert (excess > 0) == (mix_temperature(parts, HEAT).temperature_c > max_c)


def test_without_ice_the_plain_average_is_near():
    mix = mix_temperature([MeatPart(1000, 0.9, 4), MeatPart(1000, 0.9, 0)], HEAT)
    assert mix.temperature_c == pytest.approx(2, abs=0.01)
    assert mix.ice_share == 0


def test_with_ice_the_plain_average_is_far_too_warm():
    """Three parts chilled fat trim at 5 °C to one of hard frozen lean at -10 °C: 1.25 °C on
    average, while thawing the ice takes the whole below its freezing point."""
    mix = mix_temperature([MeatPart(1500, 0.5, 5), MeatPart(500, 0.9, -10)], HEAT)
    assert mix.plain_average_c == pytest.approx(1.25)
    assert mix.temperature_c < HEAT.freezes_c
    assert mix.ice_share > 0


def test_meat_outside_the_measured_range_is_flagged():
    assert mix_temperature([MeatPart(1, 0.5, 1)], HEAT).is_outside_lines
    assert not mix_temperature([MeatPart(1, 0.7, 1), MeatPart(1, 0.97, 1)], HEAT).is_outside_lines


def test_degrees():
    assert (celsius(28.4), celsius(32), fahrenheit(4)) == pytest.approx((-2, 0, 39.2))
