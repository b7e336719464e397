"""What tests say: of lots and suppliers, of batches over time, and of the heat in a mix."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import FILE, FOLDER, PICTURE, check_picture, draw, finite, read_folder
from blend.domain.case import Case
from blend.domain.heat import celsius
from blend.errors import InputRefused, Problem
from blend.files import check_place

if TYPE_CHECKING:
    from blend.lean.estimate import LeanEstimates


_LEAN_VALUE = click.option(
    "--lean-value",
    type=click.FloatRange(0),
    callback=finite,
    metavar="USD/LB",
    help="Worth of a pound of lean, such as a plan's; else the slope of today's prices.",
)


@click.command()
@FOLDER
@_LEAN_VALUE
@click.option(
    "--csv",
    "csv_file",
    type=FILE,
    help="Write the estimates as a table too.",
)
@PICTURE
def lean(
    folder: Path, lean_value: float | None, csv_file: Path | None, picture: Path | None
) -> None:
    """Estimate the lean of lots from statements, tests and history.

    FOLDER holds a case and tests.csv; lean_test_methods.csv, where there is one, has the
    plant's own errors of its methods. Prints every lot's lean with its standard error, how far
    each supplier overstates and what that cost, and the lots whose tests contradict their
    statement. `blend plan --lean estimated` plans with it.
    """
    if csv_file is not None:
        check_place(csv_file)
    check_picture(picture)
    case = read_folder(folder).case
    read, estimates = estimated(folder, case)

    from blend.show.lean import lean_tables, methods_table
    from blend.show.text import tables_text

    value, words = _value_of_lean(case, lean_value)
    tables = (
        *lean_tables(case, estimates, value, words),
        methods_table(read.tests, read.methods),
    )
    click.echo(tables_text(tables))
    if csv_file is not None:
        _write_estimates(estimates, csv_file)
        click.echo(f"\nEstimates: {csv_file}")
    if picture is not None:
        from blend.show.lean_pictures import estimates_picture

        draw(estimates_picture(case, estimates), picture)


@click.command()
@FOLDER
@click.option("--product", metavar="ID", help="Only this product; a picture needs one.")
@click.option(
    "--baseline",
    type=click.IntRange(2),
    default=20,
    show_default=True,
    metavar="BATCHES",
    help="So many first batches set the limits.",
)
@click.option(
    "--limits",
    type=click.Choice(["between", "within"]),
    default="between",
    show_default=True,
    help="From how batches differ, or from how readings of one batch do.",
)
@_LEAN_VALUE
@PICTURE
def control(
    folder: Path,
    product: str | None,
    baseline: int,
    limits: str,
    lean_value: float | None,
    picture: Path | None,
) -> None:
    """Hold the tested lean of batches against their target over time.

    FOLDER holds a case and batch_tests.csv. Prints by product what lean was given away, the
    limits of its control charts, and the batches that stand out or show a drift.
    """
    check_picture(picture)
    case = read_folder(folder).case

    from blend.lean.control import LimitsFrom, control_products
    from blend.show.control import control_tables
    from blend.show.text import tables_text
    from blend.tables.evidence import read_batch_tests

    batches = read_batch_tests(folder, case)
    known = sorted({batch.product_id for batch in batches})
    if not batches:
        _refuse("batch_tests.csv", None, "no batch", "a table of batch tests beside the case")
    if product is not None and product not in known:
        raise click.BadParameter(
            f"{product!r} has no batch test; there are {', '.join(known)}.",
            param_hint="--product",
        )
    if picture is not None and product is None and len(known) > 1:
        raise click.BadParameter(
            f"a picture needs one --product: {', '.join(known)}.", param_hint="--chart"
        )
    asked = [batch for batch in batches if product in (None, batch.product_id)]
    controls = control_products(asked, baseline, LimitsFrom(limits))
    value, words = _value_of_lean(case, lean_value)
    click.echo(tables_text(control_tables(case, controls, value, words)))
    if picture is not None:
        if controls[0].chart is None:
            _refuse("batch_tests.csv", "product_id", "one batch", "at least two to draw")
        from blend.show.lean_pictures import control_picture

        draw(control_picture(case, controls[0]), picture)


@click.command()
@FOLDER
@click.option(
    "--max",
    "maximum",
    type=click.FloatRange(10, 60),
    callback=finite,
    metavar="°F",
    help="Tell what heat to take out of a batch to have it no warmer than this.",
)
def temperature(folder: Path, maximum: float | None) -> None:
    """Plan the day's blends and tell how warm each batch becomes.

    FOLDER holds a case and temperatures.csv, with how warm its lots are. An aid: a
    thermometer in the meat, the plant's own limits and the inspector decide.
    """
    case = read_folder(folder).case

    from blend.grinder.plan import make_plan
    from blend.grinder.temperature import batch_temperatures
    from blend.show.heat import temperatures_table
    from blend.show.text import tables_text
    from blend.tables.evidence import read_temperatures
    from blend.tables.heat import packaged_heat

    temperature_of = read_temperatures(folder, case)
    if not temperature_of:
        _refuse(
            "temperatures.csv", None, "no temperature", "a table of temperatures beside the case"
        )
    plan = make_plan(case, shadow_prices=False)
    max_c = None if maximum is None else celsius(maximum)
    batches = batch_temperatures(case, plan, temperature_of, packaged_heat(), max_c)
    click.echo(tables_text([temperatures_table(case, batches, maximum)]))


def case_with_lean(folder: Path, case: Case, lean: str) -> Case:
    """The case with lean as `lean` says, "stated" or "estimated"; tells which where it matters."""
    if lean == "estimated":
        from blend.lean.estimate import case_with_estimates
        from blend.reading import with_temperature

        estimates = estimated(folder, case)[1]
        click.echo("Lean: as estimated from tests (see blend lean).\n")
        return with_temperature(folder, case_with_estimates(case, estimates))
    from blend.tables.evidence import holds_tests

    if holds_tests(folder):
        click.echo("Lean: as stated; --lean estimated plans with the tests that are there.\n")
    return case


def estimated(folder: Path, case: Case):
    """The tests as read, their warnings told, and the estimates from them."""
    from blend.lean.estimate import estimate_lots
    from blend.show.amounts import printable
    from blend.tables.evidence import read_tests

    read = read_tests(folder, case)
    for warning in read.warnings:
        click.echo(f"warning: {printable(str(warning))}", err=True)
    if not read.tests:
        _refuse("tests.csv", None, "no test", "a table of lean tests beside the case")
    return read, estimate_lots(case, read.tests, read.methods)


def _value_of_lean(case: Case, named: float | None) -> tuple[float | None, str]:
    """USD per lb of lean, None where it is open, and how it was come by in words."""
    from blend.lean.value import price_line
    from blend.show.lean import value_words

    if named is not None:
        return named, value_words(named, None)
    line = price_line(case)
    value = None if line is None else line.usd_per_lean_lb
    return value, value_words(value, line)


def _write_estimates(estimates: LeanEstimates, path: Path) -> None:
    from blend.tables.write import write_csv

    names = (
        "lot_id",
        "supplier",
        "stated_lean",
        "lean",
        "standard_error_share",
        "min_lean",
        "max_lean",
        "tests",
        "own_weight",
        "contradiction",
    )
    write_csv(path, names, [[getattr(lot, name) for name in names] for lot in estimates.lots])


def _refuse(file: str, column: str | None, read: str, allowed: str) -> None:
    raise InputRefused([Problem(file, None, column, read, allowed)])
