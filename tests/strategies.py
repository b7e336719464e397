"""Hypothesis strategies for domain objects that the reader of tables would accept.

Numbers lie on grids that people write (shares to a thousandth, prices to a tenth of a cent,
pounds whole), so that cases print well when a test fails.
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.lots import CONTAINERS, DOMESTIC, FORMS, ON_HAND_OR_OFFERED, Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.domain.standards import Action, StandardRow
from blend.domain.stock import valued

DAY = date(2026, 3, 2)
SPECIES = ("beef", "pork")
PROGRAMS = ("natural", "organic")
ORIGINS = (DOMESTIC, "Australia", "New Zealand")
CONTAINER_LB = {"combo": 2000.0, "box": 60.0, "block": 60.0}

# Normalized, as the reader does, which can produce a semicolon; and never like #N/A.
written = (
    st.text(alphabet=st.characters(categories=("L", "N", "P", "S")), min_size=1, max_size=8)
    .map(lambda text: unicodedata.normalize("NFC", text))
    .filter(lambda text: not text.startswith("#") and not set(text) & set("|;,"))
)
words = st.sampled_from(("90s", "cow trim", "=1+1", "-50s", "@home", "'=x", '"')) | written
"""What a name, an item or a supplier may be called; formula signs and quotes among them."""


def grid(minimum: float, maximum: float, steps_per_unit: int) -> st.SearchStrategy[float]:
    """Numbers from `minimum` to `maximum` in steps of 1/`steps_per_unit`."""
    return st.integers(round(minimum * steps_per_unit), round(maximum * steps_per_unit)).map(
        lambda steps: steps / steps_per_unit
    )


def shares(minimum: float = 0.0, maximum: float = 1.0) -> st.SearchStrategy[float]:
    return grid(minimum, maximum, 1000)


def pounds(minimum: int, maximum: int) -> st.SearchStrategy[float]:
    return st.integers(minimum, maximum).map(float)


def usd(minimum: float, maximum: float) -> st.SearchStrategy[float]:
    return grid(minimum, maximum, 1000)


# Strategies that depend on nothing drawn are made once: making them costs more than drawing.
booleans = st.booleans()
texts = st.just("") | words
days = st.integers(-20, 20).map(lambda shift: DAY + timedelta(days=shift))
some_day = st.none() | days
conditions = st.sampled_from(
    (
        "fresh_or_frozen=frozen",
        "fresh_or_frozen=fresh",
        f"origin!={DOMESTIC}",
        "origin=Australia|New Zealand",
        "species=beef",
        "program=organic",
        "lean>=0.85",
        "lean<0.6",
        "on_hand_or_offered=on hand",
        "lot=lot1|lot2",
    )
)
selectors = st.lists(conditions, min_size=1, max_size=2).map(
    lambda parts: parse_selector("; ".join(parts))
)
"""One or two conditions; some lot meets most of them."""

_lot_fields = st.fixed_dictionaries(
    {
        "item": words,
        "species": st.sampled_from(("beef", "beef", "beef", "pork")),
        "lean": shares(0.3, 0.97),
        "price_usd_per_lb": usd(0, 4),
        "fresh_or_frozen": st.sampled_from(FORMS),
        "origin": st.sampled_from(ORIGINS),
        "meat_class": st.sampled_from(("", "cow", "bull")),
        "supplier": st.sampled_from(("", "north", "south")),
        "label_claims": st.sampled_from(
            (frozenset(), frozenset(PROGRAMS[:1]), frozenset(PROGRAMS))
        ),
        "on_hand_or_offered": st.sampled_from(ON_HAND_OR_OFFERED),
    }
)
_containers = st.sampled_from(CONTAINERS)
_counts = st.integers(0, 20)
_freights = st.none() | grid(0, 0.1, 10_000)
_value_shares = shares(-0.2, 1)


@st.composite
def lots(draw: st.DrawFn, lot_id: str = "lot1") -> Lot:
    """A lot; most often it is beef, of stated quantity, and usable on DAY."""
    fields = draw(_lot_fields)
    container = draw(_containers)
    container_lb = CONTAINER_LB.get(container)
    count = draw(_counts)
    quantity = count * (container_lb or 500.0) if count else None
    freight = draw(_freights)
    first, last = draw(some_day), draw(some_day)
    if first is not None and last is not None:
        first, last = sorted((first, last))
    value = round(fields["price_usd_per_lb"] * draw(_value_shares), 4)
    return Lot(
        lot_id=lot_id,
        quantity_lb=quantity,
        price_basis="delivered" if freight is None else "fob",
        freight_usd_per_lb=freight or 0.0,
        container=container,
        container_lb=container_lb,
        available_on=first,
        use_by=last,
        min_purchase_lb=min(500.0, quantity or 500.0) if draw(booleans) else 0.0,
        must_take_all=quantity is not None and draw(booleans),
        salvage_value_usd_per_lb=min(value, fields["price_usd_per_lb"]),
        **fields,
    )


_product_fields = st.fixed_dictionaries(
    {
        "name": words,
        "species": st.sampled_from((frozenset(SPECIES[:1]), frozenset(SPECIES))),
        "target_lean": shares(0.5, 0.93),
        "tolerance_below_share": shares(0, 0.05),
        "tolerance_above_share": shares(0, 0.05),
        "min_lb": pounds(0, 8000),
        "blender_min_lb": pounds(1, 1000),
        "label_claims": st.sampled_from((frozenset(), frozenset(), frozenset(PROGRAMS[:1]))),
        "shortage_penalty_usd_per_lb": st.none() | usd(0, 5),
        "sale_usd_per_lb": st.sampled_from((0.0, 0.25, 3.0)),
    }
)
_more = st.none() | pounds(0, 4000)
_blender_room = pounds(1000, 3000)
_half_or_so = shares(0, 1)


@st.composite
def products(draw: st.DrawFn, product_id: str = "product1") -> Product:
    """A product with room between its limits, so that many cases have a plan."""
    fields = draw(_product_fields)
    more, room = draw(_more), draw(_blender_room)
    return Product(
        product_id=product_id,
        max_lb=None if more is None else fields["min_lb"] + more,
        batch_lb=fields["blender_min_lb"] + round(room * draw(_half_or_so)),
        blender_max_lb=fields["blender_min_lb"] + room,
        **fields,
    )


_limits = (
    st.fixed_dictionaries({"min_share": shares(0, 0.5)})
    | st.fixed_dictionaries({"max_share": shares(0, 0.9)})
    | st.fixed_dictionaries({"min_share": shares(0, 0.4), "max_share": shares(0.4, 0.9)})
)
_selected = st.fixed_dictionaries({"lots": selectors})
_fields_by_kind = {
    RuleKind.SHARE: st.builds(dict.__or__, _selected, _limits),
    RuleKind.FAT: _limits,
    RuleKind.MAX_LOTS: st.fixed_dictionaries({"lots": selectors, "max_count": st.integers(1, 5)}),
    RuleKind.MIN_IF_USED: st.fixed_dictionaries({"lots": selectors, "min_share": shares(0, 0.2)}),
    RuleKind.MUST_USE: st.fixed_dictionaries({"lots": selectors, "min_lb": pounds(0, 2000)}),
    RuleKind.MUST_NOT_USE: _selected,
    RuleKind.KEEP_APART: st.fixed_dictionaries({"lots": selectors, "against": selectors}),
    RuleKind.EQUAL_RECIPE: st.just({}),
}
_kinds = st.sampled_from(tuple(_fields_by_kind))
"""All but temperature, which needs the lots' temperatures too: see `warmed`."""


@st.composite
def rules(
    draw: st.DrawFn, rule_id: str = "rule1", product_ids: tuple[str, ...] = ("product1",)
) -> Rule:
    """A rule of any kind that fills in what its kind uses, and nothing else."""
    kind = draw(_kinds)
    return Rule(
        rule_id=rule_id,
        kind=kind,
        products=draw(some_of(product_ids)),
        note=draw(texts),
        **draw(_fields_by_kind[kind]),
    )


@cache
def some_of(ids: tuple[str, ...]) -> st.SearchStrategy[tuple[str, ...]]:
    return st.lists(st.sampled_from(ids), unique=True, max_size=2).map(tuple)


_loss_fields = st.fixed_dictionaries(
    {
        "step": st.sampled_from(("thaw", "purge", "trimming", "grinding")),
        "lots": selectors,
        "lean_loss_share": shares(0, 0.05),
        "fat_loss_share": shares(0, 0.02),
        "source": st.just("invented"),
    }
)


@st.composite
def losses(
    draw: st.DrawFn, loss_id: str = "loss1", product_ids: tuple[str, ...] = ("product1",)
) -> Loss:
    return Loss(loss_id=loss_id, products=draw(some_of(product_ids)), **draw(_loss_fields))


_standard_fields = st.fixed_dictionaries(
    {
        "title": words,
        "section": words,
        "effective_on": some_day,
        "read_on": some_day,
        "verified": st.sampled_from(("read", "memory")),
        "source": words,
        "note": texts,
    }
)
_limits_by_action = {
    Action.NOTE: st.just({"kind": None}),
    Action.WARN: st.fixed_dictionaries(
        {"kind": st.just(RuleKind.SHARE), "lots": selectors, "max_share": shares(0, 0.9)}
    ),
    Action.REFUSE: st.fixed_dictionaries(
        {"kind": st.just(RuleKind.FAT), "max_share": shares(0.5, 0.9)}
    ),
}
_actions = st.sampled_from(Action)


@st.composite
def standard_rows(draw: st.DrawFn, standard_id: str = "own", row_id: str = "own1") -> StandardRow:
    """A row that any generated product may meet: its fat limits lie above every target."""
    action = draw(_actions)
    return StandardRow(
        standard_id=standard_id,
        row_id=row_id,
        action=action,
        **draw(_limits_by_action[action]),
        **draw(_standard_fields),
    )


settings_of_a_case = st.builds(
    Settings,
    plan_on=st.just(DAY),
    plant=texts,
    whole_containers=st.sampled_from(WholeContainers),
    gap_share=st.sampled_from((0.0, 0.001, 0.01)),
    time_limit_s=st.sampled_from((5.0, 60.0)),
)


@cache
def _numbers(minimum: int, maximum: int) -> st.SearchStrategy[range]:
    return st.integers(minimum, maximum).map(lambda count: range(1, count + 1))


@st.composite
def cases(
    draw: st.DrawFn,
    max_lots: int = 8,
    max_products: int = 4,
    max_rules: int = 3,
    max_losses: int = 2,
    max_standards: int = 2,
) -> Case:
    """A case that reads back from its own tables; it need not have a plan."""
    product_ids = tuple(f"product{number}" for number in draw(_numbers(1, max_products)))
    standards = tuple(
        draw(standard_rows(f"own{number % 2}", f"own row {number}"))
        for number in draw(_numbers(0, max_standards))
    )
    standard_ids = tuple(sorted({row.standard_id for row in standards}))
    labeled = some_of(standard_ids) if standards else st.just(())
    drawn_products = tuple(
        replace(draw(products(product_id)), standards=draw(labeled)) for product_id in product_ids
    )
    used = {standard_id for product in drawn_products for standard_id in product.standards}
    return Case(
        settings=draw(settings_of_a_case),
        lots=tuple(draw(lots(f"lot{number}")) for number in draw(_numbers(1, max_lots))),
        products=drawn_products,
        rules=tuple(
            draw(rules(f"rule{number}", product_ids)) for number in draw(_numbers(0, max_rules))
        ),
        losses=tuple(
            draw(losses(f"loss{number}", product_ids)) for number in draw(_numbers(0, max_losses))
        ),
        standards=tuple(row for row in standards if row.standard_id in used),
    )


def as_read(case: Case) -> Case:
    """The case with its stock valued, as the reader of tables does."""
    return replace(case, lots=tuple(valued(lot, case.settings) for lot in case.lots))


@st.composite
def warmed(draw: st.DrawFn, case: Case) -> Case:
    """The case with one more temperature rule, ready to be planned."""
    heat = grid(-20, 40, 10)
    rule = Rule(
        rule_id="max_temp",
        kind=RuleKind.MAX_TEMP,
        products=draw(some_of(tuple(product.product_id for product in case.products))),
        max_temp_f=40.0,
        excess_heat_btu_per_lb=tuple((lot.lot_id, draw(heat)) for lot in case.lots),
    )
    return replace(case, rules=(*case.rules, rule))
