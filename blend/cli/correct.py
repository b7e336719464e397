"""A batch in the blender, tested off its limits."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import FOLDER, finite, progress_line, read_folder
from blend.domain.case import Case
from blend.domain.plan import Ingredient
from blend.domain.uncertainty import SOLVENT_EXTRACTION_SD_SHARE, LeanUncertainty
from blend.errors import InputRefused, Problem, did_you_mean


@click.command()
@FOLDER
@click.option("--product", "product_id", required=True, help="Its product_id.")
@click.option(
    "--held-lb",
    type=click.FloatRange(0, min_open=True),
    callback=finite,
    required=True,
    help="Finished pounds in the blender.",
)
@click.option(
    "--fat",
    type=click.FloatRange(0, 1),
    callback=finite,
    required=True,
    metavar="SHARE",
    help="Fat as tested, the mean of all readings; 0.22 is 22 %.",
)
@click.option(
    "--readings", type=click.IntRange(1, 1000), default=1, show_default=True, help="How many tests."
)
@click.option(
    "--test-error",
    "reading_sd",
    type=click.FloatRange(0, 0.2),
    callback=finite,
    default=SOLVENT_EXTRACTION_SD_SHARE,
    show_default=True,
    metavar="SHARE",
    help="Standard deviation of one reading; the default is of solvent extraction.",
)
@click.option(
    "--room-lb",
    type=click.FloatRange(0),
    callback=finite,
    help="Pounds that still fit in; left out: what the product's blender leaves.",
)
@click.option(
    "--lot", "lots", multiple=True, help="A lot at hand, as often as need be; else all stock."
)
@click.option("--whole-containers", is_flag=True, help="Add whole containers only.")
@click.option(
    "--as-planned", is_flag=True, help="The blender holds the plan's recipe; plans the day first."
)
@click.option("--allow-removal", "swap", is_flag=True, help="Meat may be taken out.")
@click.option(
    "--confidence",
    type=click.FloatRange(0, 0.999999),
    callback=finite,
    metavar="SHARE",
    help="How surely the batch is to be within limits; left out: as confidence.csv asks of the"
    " product, else on average. Assumes independent errors.",
)
@click.option(
    "--test-cost",
    type=click.FloatRange(0, min_open=True),
    callback=finite,
    metavar="USD",
    help="Cost of one more reading: tells whether to test again first.",
)
def correct(
    folder: Path,
    product_id: str,
    held_lb: float,
    fat: float,
    readings: int,
    reading_sd: float,
    room_lb: float | None,
    lots: tuple[str, ...],
    whole_containers: bool,
    as_planned: bool,
    swap: bool,
    confidence: float | None,
    test_cost: float | None,
) -> None:
    """Put a batch right: add, take out, or test again.

    FOLDER holds the case; with lean_spread.csv the errors of the lots count as well. The batch
    is taken as mixed. Where its recipe is not known, rules on shares are held for what is added.
    """
    from blend.check.correct import prove_correction
    from blend.grinder.correct import Held, Reading, Terms, correct_batch, lots_at_hand
    from blend.show.correct import correction_tables
    from blend.show.proofs import correction_proof_line, must_be_proved
    from blend.show.text import tables_text

    case = read_folder(folder).case
    _check_names(case, product_id, lots)
    product = case.product(product_id)
    if room_lb is None:
        room_lb = max(0.0, product.blender_max_lb - held_lb)
    at_hand = lots_at_hand(case, lots)
    if not at_hand:
        _refuse("--lot", "no lot in stock", "a lot at hand: name one with --lot")
    chance_constraint = _chance_constraint_of(folder, case, product_id)
    terms = Terms(
        at_hand=at_hand,
        whole_containers=whole_containers,
        may_remove=swap,
        confidence=chance_constraint if confidence is None else confidence,
        step_lb=1.0,
        test_cost_usd=test_cost,
    )
    spread = _spread(folder, case)
    correction = correct_batch(
        case,
        product_id,
        Held(held_lb, room_lb, _planned_recipe(case, product_id) if as_planned else ()),
        Reading(fat, readings, reading_sd),
        terms,
        spread,
    )
    proof = prove_correction(case, correction, terms, spread)
    must_be_proved(proof, f"correction of {product_id}")
    click.echo(tables_text(correction_tables(case, correction)))
    click.echo(f"\n{correction_proof_line(proof, correction)}")


def _spread(folder: Path, case: Case) -> dict[str, LeanUncertainty]:
    from blend.tables.uncertainty import read_spread

    return read_spread(folder, case)


def _chance_constraint_of(folder: Path, case: Case, product_id: str) -> float | None:
    """The confidence that is asked of the product's batches."""
    from blend.tables.uncertainty import read_chance_constraints

    asked = {each.product_id: each.min_confidence for each in read_chance_constraints(folder, case)}
    return asked.get(product_id)


def _planned_recipe(case: Case, product_id: str) -> tuple[Ingredient, ...]:
    from blend.grinder.plan import make_plan

    with progress_line() as progress:
        plan = make_plan(case, shadow_prices=False, progress=progress, keep_interrupted=False)
    run = next((run for run in plan.runs if run.product_id == product_id), None)
    if run is None:
        _refuse("--as-planned", f"no batch of {product_id}", "a product that the plan makes")
    return run.ingredients


def _check_names(case: Case, product_id: str, lots: tuple[str, ...]) -> None:
    products = [product.product_id for product in case.products]
    if product_id not in products:
        _refuse("--product", product_id, "an id of products", did_you_mean(product_id, products))
    known = [lot.lot_id for lot in case.lots]
    for lot_id in lots:
        if lot_id not in known:
            _refuse("--lot", lot_id, "an id of lots", did_you_mean(lot_id, known))
        reason = case.lot(lot_id).reason_unusable(case.settings.plan_on)
        if reason is not None:
            _refuse("--lot", f"{lot_id}, {reason}", "a lot that can be used today")


def _refuse(option: str, read: str, allowed: str, hint: str = "") -> None:
    raise InputRefused([Problem(option, None, None, read, allowed, hint)])
