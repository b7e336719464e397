"""The figures of composition and heat in specs/: one publication against another."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

SPECS = Path(__file__).parents[2] / "specs"
KJ_PER_KG_C_PER_BTU_PER_LB_F = 4.1868
"""International table values of both units. NIST Special Publication 811, appendix B."""


def table(name: str, key: str) -> dict[str, dict[str, str]]:
    with (SPECS / name).open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert all(row["verified"] in ("read", "memory") and row["source"] for row in rows)
    assert len({row[key] for row in rows}) == len(rows)
    return {row[key]: row for row in rows}


COMPOSITION = table("composition.csv", "source_id")
LINES = table("composition_lines.csv", "line_id")
HEAT = table("heat.csv", "item_id")
COMPONENTS = table("heat_components.csv", "component")
GROUND_BEEF = [name for name in COMPOSITION if name.startswith(("ndb_", "fdc_"))]


def test_ground_beef_as_published():
    """USDA National Nutrient Database for Standard Reference, NDB 23572, 80% lean, raw."""
    row = COMPOSITION["ndb_23572"]
    assert row["item"] == "ground beef, 80% lean, raw"
    shares = [row[f"{part}_share"] for part in ("fat", "water", "protein", "ash")]
    assert [float(text) for text in shares] == [0.20, 0.6194, 0.1717, 0.0084]
    assert row["kcal_per_100g"] == "254"


@pytest.mark.parametrize(
    ("source_id", "component", "within_g"),
    [
        (source_id, component, within_g)
        for source_id in GROUND_BEEF
        for component, within_g in (("water", 0.12), ("protein", 0.04), ("ash", 0.01))
        if COMPOSITION[source_id][f"{component}_share"]
    ],
)
def test_rows_lie_on_the_published_lines(source_id, component, within_g):
    """Howe et al. 2006 (USDA ARS 200137) against the Standard Reference rows."""
    row, line = COMPOSITION[source_id], LINES[f"ground_beef_{component}"]
    fat_g = 100 * float(row["fat_share"])
    assert float(line["min_fat_g"]) <= fat_g <= float(line["max_fat_g"])
    on_line_g = float(line["intercept_per_100g"]) + float(line["slope_per_g_fat"]) * fat_g
    assert 100 * float(row[f"{component}_share"]) == pytest.approx(on_line_g, abs=within_g)


@pytest.mark.parametrize(
    "source_id",
    [name for name in COMPOSITION if name not in ("sr_ground_pork_84", "sr_ground_pork_96")],
)
def test_energy_is_that_of_protein_and_fat(source_id):
    """4.27 kcal/g protein and 9.02 kcal/g fat of meat: Merrill and Watt, USDA Agriculture
    Handbook 74; from memory. The two pork rows left out carry carbohydrate besides."""
    row = COMPOSITION[source_id]
    kcal = 427 * float(row["protein_share"]) + 902 * float(row["fat_share"])
    assert float(row["kcal_per_100g"]) == pytest.approx(kcal, abs=1)


def test_shares_of_a_row_do_not_add_up_to_one():
    """The trap: fat by difference would be wrong by up to 0.7 points."""
    sums = {
        name: sum(
            float(COMPOSITION[name][f"{part}_share"]) for part in ("fat", "water", "protein", "ash")
        )
        for name in GROUND_BEEF
        if COMPOSITION[name]["water_share"]
    }
    assert sums["ndb_13498"] == pytest.approx(0.9943)
    assert sums["ndb_23557"] == pytest.approx(1.0074)


@pytest.mark.parametrize(
    ("fat_g", "saturated_g", "cholesterol_mg"), [(10, 3.99, 64.6), (4.73, 2.00, 61.1)]
)
def test_lines_behind_the_notes_on_lean_claims(fat_g, saturated_g, cholesterol_mg):
    """Notes of claim_lean and claim_extra_lean in standards.csv: at 10% fat raw ground beef has
    3.99 g saturated fat, and 2 g at 4.7% fat (Howe et al. 2006)."""
    for component, expected in (("saturated_fat", saturated_g), ("cholesterol", cholesterol_mg)):
        line = LINES[f"ground_beef_{component}"]
        value = float(line["intercept_per_100g"]) + float(line["slope_per_g_fat"]) * fat_g
        assert value == pytest.approx(expected, abs=0.06 if component == "cholesterol" else 0.006)


def test_two_publications_of_one_specific_heat():
    """Beef above freezing: 0.77 Btu/lb.F (ASHRAE) is 3.22 kJ/kg.C (Earle, appendix 7)."""
    btu = float(HEAT["ashrae_carcass_choice"]["cp_above_btu_per_lb_f"])
    kj = float(HEAT["earle_beef"]["cp_above_max_kj_per_kg_c"])
    assert btu * KJ_PER_KG_C_PER_BTU_PER_LB_F == pytest.approx(kj, abs=0.005)


@pytest.mark.parametrize("item_id", ["ashrae_sirloin_lean", "ashrae_round_lean"])
def test_lean_beef_lies_in_the_measured_range(item_id):
    """ASHRAE's lean cuts against Morley 1972 (Meat Refrigeration, table 13.2), 3.43 to 3.6."""
    kj = float(HEAT[item_id]["cp_above_btu_per_lb_f"]) * KJ_PER_KG_C_PER_BTU_PER_LB_F
    lean = HEAT["morley_lean"]
    assert float(lean["cp_above_min_kj_per_kg_c"]) <= kj
    assert kj <= float(lean["cp_above_max_kj_per_kg_c"])


def test_component_rule_lands_in_the_measured_range():
    """Choi and Okos 1986 on 95% lean ground beef (73% water) at 0 C against Morley 1972."""
    row = COMPOSITION["ndb_23557"]
    parts = {part: float(row[f"{part}_share"]) for part in ("water", "protein", "fat", "ash")}
    mixed = sum(x * float(COMPONENTS[part]["constant_j_per_kg_c"]) for part, x in parts.items())
    kj = mixed / sum(parts.values()) / 1000
    assert kj == pytest.approx(3.575, abs=0.001)
    assert kj <= float(HEAT["morley_lean"]["cp_above_max_kj_per_kg_c"])


def test_water_only_rule_is_an_over_simplification_of_a_few_per_cent():
    """Earle, appendix 7: the rule against the tabled beef of 75% water."""
    beef, water, solids = (HEAT[f"earle_{name}"] for name in ("beef", "water", "solids"))
    share = float(beef["water_share"])
    for column in ("cp_above_max_kj_per_kg_c", "cp_below_kj_per_kg_c", "latent_kj_per_kg"):
        by_rule = share * float(water[column]) + (1 - share) * float(solids[column])
        assert by_rule == pytest.approx(float(beef[column]), rel=0.08)
