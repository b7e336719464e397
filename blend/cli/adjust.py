"""`blend adjust`: a batch in the blender that tests off spec."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import FOLDER, progress_line, read_folder
from blend.cli.params import DOLLARS, POUNDS, ROOM, Points, Share, Whole
from blend.domain.uncertainty import SOLVENT_EXTRACTION_SD_SHARE, shared_by_suppliers
from blend.errors import did_you_mean, refusal

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.plan import Ingredient
    from blend.output.answer import Answer


@click.command(
    epilog="""\b
Examples:
  blend adjust demo_data --product GB80 --pounds 3800 --fat 22
  blend adjust demo_data --product GB80 --pounds 3800 --fat 22 --lot I90-1 --confidence 95
"""
)
@FOLDER
@click.option("--product", "product_id", metavar="ID", help="Its product_id.")
@click.option("--pounds", type=POUNDS, metavar="LB", help="Finished pounds in the blender.")
@click.option(
    "--fat",
    type=Share(),
    metavar="PERCENT",
    help="Fat as tested, the mean of all tests: 22, 22% or 0.22.",
)
@click.option("--tests", type=Whole(1, 1000), default=1, show_default=True, help="How many tests.")
@click.option(
    "--test-error",
    type=Points(),
    default=f"{100 * SOLVENT_EXTRACTION_SD_SHARE:g}",
    show_default=True,
    metavar="POINTS",
    help="Standard error of one test in points of fat. Default: solvent extraction.",
)
@click.option(
    "--room-lb",
    type=ROOM,
    metavar="LB",
    help="Pounds the blender can still take. Default: its maximum less --pounds.",
)
@click.option(
    "--lot",
    "lots",
    multiple=True,
    metavar="ID",
    help="A lot that may go in; repeat it. Default: all on hand.",
)
@click.option("--whole-containers", is_flag=True, help="Add whole containers only.")
@click.option(
    "--as-planned", is_flag=True, help="The blender holds the plan's recipe; plans the day first."
)
@click.option("--allow-removal", is_flag=True, help="Meat may be taken out.")
@click.option(
    "--confidence",
    type=Share(0, 0.999999),
    metavar="PERCENT",
    help="Min chance to be in spec, such as 95. Default: the product's in confidence.csv, else in"
    " spec on average.",
)
@click.option(
    "--test-cost",
    type=DOLLARS,
    metavar="$",
    help="Cost of one more test: says whether to test again first.",
)
@answers("batch", chart=True)
def adjust(
    folder: Path,
    product_id: str | None,
    pounds: float | None,
    fat: float | None,
    tests: int,
    test_error: float,
    room_lb: float | None,
    lots: tuple[str, ...],
    whole_containers: bool,
    as_planned: bool,
    allow_removal: bool,
    confidence: float | None,
    test_cost: float | None,
) -> Answer:
    """What to add to or take out of an off-spec batch, or whether to test it again.

    The batch is taken as mixed. With lean_spread.csv the errors of the lots count too. Where the
    recipe in the blender is not known, share rules apply to what you add.
    """
    from blend.domain.correction import Held, Reading, Terms
    from blend.grinder import adjust as question
    from blend.grinder.correct import lots_to_add
    from blend.tables.uncertainty import read_chance_constraints, read_spread

    case = read_folder(folder).case
    if product_id is None or pounds is None or fat is None:
        raise click.UsageError(_missing(folder, case, product_id, pounds, fat))
    _check_names(case, product_id, lots)
    addable = lots_to_add(case, lots)
    if not addable:
        raise refusal("--lot", None, "No lot is on hand", "", "Name the lots that may go in.")
    asked = {each.product_id: each.min_confidence for each in read_chance_constraints(folder, case)}
    room = case.product(product_id).blender_max_lb - pounds if room_lb is None else room_lb
    recipe = _planned_recipe(case, product_id) if as_planned else ()
    terms = Terms(
        addable=addable,
        whole_containers=whole_containers,
        may_remove=allow_removal,
        confidence=asked.get(product_id) if confidence is None else confidence,
        step_lb=1.0,
        test_cost_usd=test_cost,
    )
    held, reading = Held(pounds, max(0.0, room), recipe), Reading(fat, tests, test_error)
    errors = shared_by_suppliers(case.lots, read_spread(folder, case))
    return question.adjust(case, product_id, held, reading, terms, errors)


def _planned_recipe(case: Case, product_id: str) -> tuple[Ingredient, ...]:
    from blend.grinder.plan import make_plan

    with progress_line() as progress:
        plan = make_plan(case, shadow_prices=False, progress=progress, keep_interrupted=False)
    for run in plan.runs:
        if run.product_id == product_id:
            return run.ingredients
    raise refusal("--as-planned", None, f"The plan makes no {product_id}", "")


def _missing(
    folder: Path, case: Case, product_id: str | None, pounds: float | None, fat: float | None
) -> str:
    """What to enter, the products there are, and a command that would do."""
    from blend.output.screen import wrapped

    given = {"--product": product_id, "--pounds": pounds, "--fat": fat}
    missing = " and ".join(option for option, value in given.items() if value is None)
    lean = 0.8 if fat is None else 1 - fat
    nearest = min(case.products, key=lambda each: abs(each.target_lean - lean))
    listed = "; ".join(f"{each.product_id} {each.name}" for each in case.products[:_MAX_LISTED])
    example = f"--product {product_id or nearest.product_id}"
    example += f" --pounds {pounds or nearest.blender_max_lb:g} --fat {100 * (1 - lean):g}%"
    lines = [
        f"Enter {missing}. --pounds is what is in the blender.",
        f"Products: {listed}.",
        f"Such as: blend adjust {folder} {example}",
    ]
    return "\n".join(map(wrapped, lines))


_MAX_LISTED = 12


def _check_names(case: Case, product_id: str, lots: tuple[str, ...]) -> None:
    products = [product.product_id for product in case.products]
    if product_id not in products:
        hint = did_you_mean(product_id, products)
        raise refusal("--product", None, product_id, "an id of products", hint)
    known = [lot.lot_id for lot in case.lots]
    for lot_id in lots:
        if lot_id not in known:
            raise refusal("--lot", None, lot_id, "an id of lots", did_you_mean(lot_id, known))
        reason = case.lot(lot_id).reason_unusable(case.settings.plan_on)
        if reason is not None:
            raise refusal("--lot", None, f"{lot_id} is not available today: {reason}", "")
