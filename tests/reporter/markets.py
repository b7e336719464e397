"""Small markets and plants, with round invented numbers."""

from __future__ import annotations

from datetime import date

from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.clearing import Demand, Market
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector

DAY = date(2026, 3, 2)


def lot(lot_id, lean, usd, lb, **more) -> Lot:
    return Lot(lot_id, lot_id, "beef", lean, usd, lb, **more)


def product(product_id, lean, lb, *, below=0.0, above=0.0, **more) -> Product:
    return Product(
        product_id,
        product_id,
        frozenset({"beef"}),
        lean,
        below,
        above,
        lb,
        lb or None,
        4000.0,
        1.0,
        5000.0,
        **more,
    )


def plant(*lots: Lot, products=None, rules=()) -> Case:
    """A plant that makes 900 lb of an 80 exactly, if nothing else is said."""
    products = [product("GB80", 0.8, 900.0)] if products is None else products
    return Case(Settings(DAY), lots, tuple(products), tuple(rules))


FROZEN = Rule(
    "frozen",
    RuleKind.SHARE,
    lots=parse_selector("fresh_or_frozen=frozen"),
    max_share=0.4,
    note="house rule",
)


def imported(lot_id, lean, usd, lb, **more) -> Lot:
    return lot(lot_id, lean, usd, lb, fresh_or_frozen="frozen", origin="Australia", **more)


def market(**pounds) -> Market:
    """Ground beef from 50s to 93s; `pounds` overrides what comes of an item, in 1,000 lb."""
    items = {
        "50s": (0.50, 0.92, 4200),
        "65s": (0.65, 1.67, 2300),
        "81s": (0.81, 2.72, 3100),
        "90s": (0.90, 3.46, 5200),
        "93s": (0.93, 3.64, 900),
    }
    floor = {"salvage_value_usd_per_lb": 0.2}
    lots = [
        lot(name, lean, usd, 1000.0 * pounds.get(name, klb), **floor)
        for name, (lean, usd, klb) in items.items()
    ]
    lots.append(imported("I90", 0.90, 3.22, 1000.0 * pounds.get("I90", 4300), **floor))
    wanted = {"GB73": (0.73, 8e6, -1.6), "GB80": (0.8, 7.5e6, -1.4), "GB90": (0.9, 4e6, -1.2)}
    products = [
        product(name, lean, 0.0, below=0.005, above=0.01) for name, (lean, _, _) in wanted.items()
    ]
    return Market(
        plant(*lots, products=products, rules=(FROZEN,)),
        tuple(Demand(name, lb, elasticity) for name, (_, lb, elasticity) in wanted.items()),
    )


@st.composite
def markets(draw: st.DrawFn) -> Market:
    """Markets whose stated amounts need not match, quotations off any line."""
    leans = sorted(
        {
            *draw(st.sampled_from([(50, 90), (45, 93)])),
            *draw(st.sets(st.integers(40, 96), max_size=5)),
        }
    )
    lots = []
    for index, lean in enumerate(leans):
        usd = max(0.3, 0.055 * (lean - 35) + draw(st.integers(-25, 25)) / 100)
        make = imported if draw(st.booleans()) and lean > 60 else lot
        lots.append(
            make(
                f"item{index}",
                lean / 100,
                round(usd, 2),
                1e5 * draw(st.integers(1, 60)),
                salvage_value_usd_per_lb=0.05,
            )
        )
    targets = draw(
        st.lists(st.integers(leans[0] + 2, leans[-1] - 1), min_size=1, max_size=4, unique=True)
    )
    products = [
        product(f"GB{target}", target / 100, 0.0, below=0.01, above=0.01) for target in targets
    ]
    demands = tuple(
        Demand(each.product_id, 1e5 * draw(st.integers(5, 100)), -draw(st.integers(3, 30)) / 10)
        for each in products
    )
    rules = (FROZEN,) if draw(st.booleans()) else ()
    return Market(plant(*lots, products=products, rules=rules), demands)
