"""Blends with a published answer, as cases, each with where it comes from.

Prices are USD per lb. "Read" means that the answer was read in the named source; "worked"
that the source prints the problem, and the answer is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector

DAY = date(2026, 3, 2)


def make_lot(lot_id: str, lean: float, usd_per_lb: float, **more: Any) -> Lot:
    return Lot(
        **{
            "lot_id": lot_id,
            "item": lot_id,
            "species": "beef",
            "lean": lean,
            "price_usd_per_lb": usd_per_lb,
            "quantity_lb": None,
        }
        | more
    )


def make_product(lean: float, min_lb: float, product_id: str = "ground", **more: Any) -> Product:
    """A product that must hit its lean on the point, in batches that never bind."""
    return Product(
        **{
            "product_id": product_id,
            "name": product_id,
            "species": frozenset({"beef", "pork"}),
            "target_lean": lean,
            "tolerance_below_share": 0.0,
            "tolerance_above_share": 0.0,
            "min_lb": min_lb,
            "max_lb": None,
            "batch_lb": 1_000.0,
            "blender_min_lb": 0.0,
            "blender_max_lb": 1_000_000.0,
        }
        | more
    )


def make_case(lots: list[Lot], products: list[Product], *rules: Rule, **more: Any) -> Case:
    settings = more.pop("settings", Settings(plan_on=DAY))
    return Case(settings, tuple(lots), tuple(products), tuple(rules), **more)


@dataclass(frozen=True)
class WorkedCase:
    """A case and its published answer; `within_usd` is how finely the source prints it."""

    name: str
    case: Case
    objective_usd: float
    within_usd: float
    use_lb: dict[str, float] = field(default_factory=dict)
    """By lot, of the single product. Lots not named are not used."""
    within_lb: float = 0.01


# "Meat Calculations", teaching slides, example 1 (no author shown): problem read, answer
# worked: Pearson's square, share of the leaner = (25 - 20) / (25 - 10).
SLIDES = WorkedCase(
    name="10% and 25% fat to 20%",
    case=make_case(
        [make_lot("boneless cow", 0.90, 0.99), make_lot("75s", 0.75, 0.79)],
        [make_product(0.80, 1_000)],
    ),
    objective_usd=856.67,
    within_usd=0.005,
    use_lb={"boneless cow": 333.33, "75s": 666.67},
)

# A sausage maker's forum, 28 July 2007: read, problem and answer: 8 parts belly to 10 parts
# beef. Prices do not matter to it.
FORUM = WorkedCase(
    name="30% and 12% fat to 20%",
    case=make_case(
        [
            make_lot("pork belly", 0.70, 1.00, species="pork"),
            make_lot("beef mince", 0.88, 1.00),
        ],
        [make_product(0.80, 18)],
    ),
    objective_usd=18.0,
    within_usd=1e-6,
    use_lb={"pork belly": 8.0, "beef mince": 10.0},
    within_lb=1e-5,
)

# North Dakota FFA, "Processed Meat Formulation", 4 June 2009, questions 1 and 7: read, with
# its choices (0.89, 0.97, 1.02, 0.95 USD per lb; 0, 910, 2230, 5640 lb of trim); which are
# keyed was not seen, but the answer falls on one of each. Heart is no ground beef (FSIS
# Policy Book, read in a glossary that quotes it); lamb is another species.
CONTEST_GROUND_BEEF = WorkedCase(
    name="contest: cheapest 80/20 ground beef of seven meats",
    case=make_case(
        [
            make_lot("chuck", 0.79, 1.30),
            make_lot("brisket", 0.83, 0.98),
            make_lot("trim", 0.50, 0.90),
            make_lot("loin", 0.86, 2.57),
            make_lot("round", 0.96, 1.09),
            make_lot("heart", 0.86, 0.86, meat_class="heart"),
            make_lot("lamb shank", 0.61, 3.34, species="lamb"),
        ],
        [make_product(0.80, 10_000)],
        Rule("no heart", RuleKind.MUST_NOT_USE, lots=parse_selector("meat_class=heart")),
    ),
    objective_usd=9_727.27,
    within_usd=0.005,
    use_lb={"brisket": 9_090.91, "trim": 909.09},
)

# Georgia FFA, senior state meat formulation problem, 2016: read, with its choices;
# the seventh is the lowest: 30% lean trimmings and shoulder at 1.76 USD per lb. Sow meat is
# left out, as the sheet's storage temperatures bar it.
CONTEST_SAUSAGE = WorkedCase(
    name="contest: cheapest pan sausage at 28% fat",
    case=make_case(
        [
            make_lot("50s", 0.50, 1.89, species="pork"),
            make_lot("40s", 0.40, 1.69, species="pork"),
            make_lot("ham", 0.80, 2.45, species="pork"),
            make_lot("shoulder", 0.77, 1.78, species="pork"),
            make_lot("30s", 0.30, 1.56, species="pork"),
        ],
        [make_product(0.72, 500)],
    ),
    objective_usd=500 * 1.76,
    within_usd=500 * 0.005,
    use_lb={"30s": 500 * 5 / 47, "shoulder": 500 * 42 / 47},
)


def _meat_loaf(beef_usd: float, pork_usd: float, min_lb: float) -> Case:
    """75% lean beef, no more than 200 lb, and 60% lean pork, no less than 50 lb, to a loaf
    at least 70% lean."""
    return make_case(
        [
            make_lot("beef", 0.75, beef_usd, quantity_lb=200),
            make_lot("pork", 0.60, pork_usd, species="pork"),
        ],
        [make_product(0.70, min_lb, tolerance_above_share=0.30)],
        Rule("pork", RuleKind.MUST_USE, lots=parse_selector("species=pork"), min_lb=50),
    )


# Sullivan, Algebra and Trigonometry, chapter on systems, linear programming, problem 25
# ("Managing a Meat Market"). Earlier edition: read, 100 lb beef, 50 lb pork, 97.50 USD.
MEAT_LOAF = WorkedCase(
    name="meat loaf, earlier edition",
    case=_meat_loaf(0.75, 0.45, min_lb=0),
    objective_usd=97.50,
    within_usd=0.005,
    use_lb={"beef": 100.0, "pork": 50.0},
)

# The same, 11th edition, with at least 180 lb made: problem read, answer worked at the
# corners (beef, pork) = (120, 60), 351 USD, and (130, 50), 360 USD.
MEAT_LOAF_11 = WorkedCase(
    name="meat loaf, 11th edition",
    case=_meat_loaf(2.25, 1.35, min_lb=180),
    objective_usd=351.00,
    within_usd=0.005,
    use_lb={"beef": 120.0, "pork": 60.0},
)

# USDA AMS LM_XB450, national, week of 18 February 2019, 22 February 2019: prices read, USD
# per cwt; "92-94%" is taken as 93. Optima worked by hand: each is a pair of neighbors on
# the lower convex hull of price over lean.
LADDER_USD_PER_CWT = {
    0.93: 219.80,
    0.90: 210.99,
    0.85: 178.90,
    0.81: 157.98,
    0.75: 145.15,
    0.73: 142.78,
    0.65: 106.93,
}


def _ladder(
    lean: float, usd_per_cwt: float, shares: dict[float, float], without: float | None = None
) -> WorkedCase:
    lots = [
        make_lot(f"{step:.0%}", step, price / 100)
        for step, price in LADDER_USD_PER_CWT.items()
        if step != without
    ]
    return WorkedCase(
        name=f"price ladder of 18 Feb 2019 to {lean:.0%}"
        + (f" without {without:.0%}" if without else ""),
        case=make_case(lots, [make_product(lean, 100)]),
        objective_usd=usd_per_cwt,
        within_usd=0.0001,
        use_lb={f"{step:.0%}": 100 * share for step, share in shares.items()},
        within_lb=1e-5,
    )


LADDER = [
    _ladder(0.80, 154.7894, {0.81: 0.9375, 0.65: 0.0625}),
    _ladder(0.75, 138.8363, {0.81: 0.625, 0.65: 0.375}),
    _ladder(0.85, 178.5867, {0.93: 1 / 3, 0.81: 2 / 3}),
    _ladder(0.90, 204.3450, {0.93: 0.75, 0.81: 0.25}),
    _ladder(0.80, 160.9075, {0.85: 0.75, 0.65: 0.25}, without=0.81),
]

WORKED_CASES = [
    SLIDES,
    FORUM,
    CONTEST_GROUND_BEEF,
    CONTEST_SAUSAGE,
    MEAT_LOAF,
    MEAT_LOAF_11,
    *LADDER,
]
