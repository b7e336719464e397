"""The plan's quantities as tables: what to buy and pull, blends, recipes and money."""

from __future__ import annotations

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Plan
from blend.domain.products import Product
from blend.domain.rules import kept_per_lb
from blend.show.amounts import number_words, pounds
from blend.show.gap import rounding_short_words, short_tenths
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.words import CONTAINERS_WORDS
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

EACH_BATCH = "Each batch"
"""Name of the column that a batch is weighed by."""
_HALF_A_CENT = 0.005


def purchases_table(case: Case, plan: Plan) -> ShownTable:
    """What to buy from offers and pull from stock, lot by lot."""
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("From"),
        ShownColumn("Containers"),
        ShownColumn("Taken", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Used", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Left over", "lb", Format.WHOLE, is_summed=True),
        usd_per_cwt_column("Delivered"),
        ShownColumn("Cost", "USD", Format.HUNDREDTHS, is_summed=True),
    )
    rows = []
    for take in plan.takes:
        lot = case.lot(take.lot_id)
        rows.append(
            (
                lot.lot_id,
                lot.item,
                lot.on_hand_or_offered,
                _containers(take.containers, lot.container),
                take.pounds_lb,
                take.used_lb,
                take.leftover_lb,
                lot.delivered_usd_per_lb * LB_PER_CWT,
                take.pounds_lb * lot.delivered_usd_per_lb,
            )
        )
    note = "Buy from offers, pull from stock." if rows else "Nothing is taken."
    return shown_table("Buy and pull", columns, rows, note)


def labelled_runs(case: Case, plan: Plan) -> list[tuple[BatchRun, str]]:
    """Every run with its product's name, and with its number where recipes differ."""
    count: dict[str, int] = {}
    for run in plan.runs:
        count[run.product_id] = count.get(run.product_id, 0) + 1
    number: dict[str, int] = {}
    labeled = []
    for run in plan.runs:
        name = case.product(run.product_id).name
        number[run.product_id] = number.get(run.product_id, 0) + 1
        if count[run.product_id] > 1:
            name += f", recipe {number[run.product_id]} of {count[run.product_id]}"
        labeled.append((run, name))
    return labeled


def run_finished_lb(run: BatchRun) -> float:
    """Finished pounds of all batches, from the tenth of a pound a batch is shown with."""
    return run.batches * round(run.finished_lb, 1)


def blends_table(case: Case, plan: Plan) -> ShownTable:
    """Each blend's batches, its pounds, and where its lean lands between its limits."""
    short_of = {
        product.product_id: short_tenths(plan.short_lb(product.product_id))
        for product in case.products
    }
    falls_short = any(short_of.values())
    columns = (
        ShownColumn("Product"),
        ShownColumn("Batches", "", Format.WHOLE, is_summed=True),
        ShownColumn("Batch", "lb", Format.TENTHS),
        ShownColumn("In all", "lb", Format.TENTHS, is_summed=True),
        *([ShownColumn("Short", "lb", Format.TENTHS, is_summed=True)] if falls_short else []),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn("Target", "%", Format.HUNDREDTHS),
        ShownColumn("Least", "%", Format.HUNDREDTHS),
        ShownColumn("Most", "%", Format.HUNDREDTHS),
        ShownColumn("Meat", "USD/lb", Format.TEN_THOUSANDTHS),
    )
    rows = []
    told = set()
    for run, label in labelled_runs(case, plan):
        short_lb = 0.0 if run.product_id in told else short_of[run.product_id]
        told.add(run.product_id)
        product = case.product(run.product_id)
        meat_usd = sum(
            each.pounds_lb * case.lot(each.lot_id).delivered_usd_per_lb for each in run.ingredients
        )
        rows.append(
            (
                label,
                run.batches,
                run.finished_lb,
                run_finished_lb(run),
                *([short_lb] if falls_short else []),
                run.lean * POINTS_PER_SHARE,
                *_limits(product),
                meat_usd / run.finished_lb,
            )
        )
    for product in case.products:
        if product.product_id in told:
            continue
        shorts = [short_of[product.product_id]] if falls_short else []
        rows.append((product.name, 0, None, 0.0, *shorts, None, *_limits(product), None))
    return shown_table(
        "Blends",
        columns,
        rows,
        "Pounds and lean are of the finished product, after losses. Meat is at delivered prices, "
        f"for a finished pound. {rounding_short_words(plan)}".strip(),
    )


def recipe_table(case: Case, run: BatchRun, label: str) -> ShownTable:
    """What is weighed into each batch of one run."""
    product = case.product(run.product_id)
    in_containers = any(each.containers is not None for each in run.ingredients)
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn(EACH_BATCH, "lb", Format.WHOLE, is_summed=True),
        ShownColumn(_all_batches(run), "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Of finished", "%", Format.HUNDREDTHS),
        *([ShownColumn("Containers")] if in_containers else []),
    )
    rows = []
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        kept_lb = each.pounds_lb * sum(kept_per_lb(lot, product, case.losses))
        rows.append(
            (
                lot.lot_id,
                lot.item,
                lot.lean * POINTS_PER_SHARE,
                each.pounds_lb,
                run.batches * each.pounds_lb,
                kept_lb / run.finished_lb * POINTS_PER_SHARE,
                *([_containers(each.containers, lot.container)] if in_containers else []),
            )
        )
    lean = number_words(run.lean * POINTS_PER_SHARE, min_decimals=2)
    finished = number_words(run.finished_lb, min_decimals=1, max_decimals=1)
    return shown_table(
        f"Recipe: {label}",
        columns,
        rows,
        f"As weighed, before losses. A batch gives {finished} lb finished at {lean} % lean.",
    )


def money_table(case: Case, plan: Plan) -> ShownTable:
    """What the plan costs, part by part."""
    money = plan.money
    parts = [
        ("Meat at the sellers' prices", money.meat_usd),
        ("Freight", money.freight_usd),
        ("Value of what is left over", -money.salvage_value_usd),
        ("Penalties for falling short", money.shortage_penalty_usd),
        ("Sales", -money.sales_usd),
    ]
    columns = (ShownColumn("Part"), ShownColumn("Amount", "USD", Format.HUNDREDTHS, is_summed=True))
    note = "The total is what the plan makes least; below zero it is money earned."
    bought_usd = sum(
        round(take.pounds_lb * case.lot(take.lot_id).delivered_usd_per_lb, 2) for take in plan.takes
    )
    if abs(bought_usd - round(money.meat_usd, 2) - round(money.freight_usd, 2)) > _HALF_A_CENT:
        note += f" What is bought and pulled, each lot to the cent, adds up to {bought_usd:,.2f}."
    if money.usd_per_finished_lb is not None:
        per_lb = money.usd_per_finished_lb
        note += (
            f" Meat and freight less leftovers come to {per_lb:,.4f} USD/lb, "
            f"{per_lb * LB_PER_CWT:,.2f} USD/cwt, of finished product."
        )
    return shown_table("Money", columns, parts, note)


def contents_table(case: Case, warning_count: int) -> ShownTable:
    """How much there is of everything that a case holds."""
    columns = (
        ShownColumn("What"),
        ShownColumn("Count", "", Format.WHOLE),
        ShownColumn("Of them"),
    )
    settings = case.settings
    day = settings.plan_on.isoformat()
    ordered = pounds(sum(product.min_lb for product in case.products))
    laid = len(case.binding_rules()) - len(case.rules)
    rows = [
        ("lots", len(case.lots), f"{len(case.usable_lots())} usable on {day}"),
        ("products", len(case.products), f"{ordered} ordered at least"),
        ("rules", len(case.rules), f"besides {laid} that standards lay on products"),
        ("losses", len(case.losses), ""),
        ("limits of standards", len(case.standards), ""),
        ("warnings", warning_count, ""),
    ]
    return shown_table("What the tables hold", columns, rows)


def set_aside_table(case: Case) -> ShownTable:
    """Lots that cannot be used on the day, and why."""
    day = case.settings.plan_on
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Why"),
        ShownColumn("Quantity", "lb", Format.WHOLE),
    )
    rows = [
        (lot.lot_id, lot.item, reason, lot.quantity_lb)
        for lot in case.lots
        if (reason := lot.reason_unusable(day)) is not None
    ]
    note = "" if rows else f"None: every lot can be used on {day.isoformat()}."
    return shown_table("Lots set aside today", columns, rows, note)


def _limits(product: Product) -> tuple[float, float, float]:
    shares = (product.target_lean, product.min_lean, product.max_lean)
    return tuple(share * POINTS_PER_SHARE for share in shares)


def _all_batches(run: BatchRun) -> str:
    return "In all" if run.batches == 1 else f"All {run.batches} batches"


def _containers(count: int | None, container: str) -> str:
    if count is None:
        return ""
    return f"{count:,} {container if count == 1 else CONTAINERS_WORDS[container]}"
