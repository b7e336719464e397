"""The diet problem: not meat, but the oldest linear program with a published optimum.

Set by G. J. Stigler, "The Cost of Subsistence", Journal of Farm Economics 27 (1945); solved by
the simplex method in 1947 (G. B. Dantzig, "The Diet Problem", Interfaces 20 (1990)) at 39.69
USD a year. References and floors are from memory, the table was read, and its optimum agrees.
Foods are bought by the dollar, so that every cost is 1.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_matrix

from tests.solvers import ARRAY_SOLVERS

DAILY_FLOORS = {
    "calories_kcal1000": 3.0,
    "protein_g": 70.0,
    "calcium_g": 0.8,
    "iron_mg": 12.0,
    "vitA_kIU": 5.0,
    "vitB1_mg": 1.8,
    "vitB2_mg": 2.7,
    "niacin_mg": 18.0,
    "vitC_mg": 75.0,
}


@pytest.mark.parametrize("solve", ARRAY_SOLVERS.values(), ids=ARRAY_SOLVERS.keys())
@pytest.mark.parametrize(("days", "usd"), [(365.25, 39.69), (365, 39.66)])
def test_dantzigs_optimum(days: float, usd: float, solve):
    with (Path(__file__).parent / "data" / "stigler_1939.csv").open(newline="") as file:
        foods = list(csv.DictReader(file))
    per_dollar = [[float(food[nutrient]) for food in foods] for nutrient in DAILY_FLOORS]
    count = len(foods)
    usd_per_day = solve(
        np.ones(count),
        csr_matrix(per_dollar),
        np.array(list(DAILY_FLOORS.values())),
        np.full(len(DAILY_FLOORS), np.inf),
        np.zeros(count),
        np.full(count, np.inf),
    )
    assert days * usd_per_day == pytest.approx(usd, abs=0.005)
