"""The plan's picture: what goes into each product, and where its lean lands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Plan
from blend.domain.products import Product
from blend.domain.rules import kept_per_lb
from blend.show.amounts import number_words
from blend.show.pictures import ACCENT, GRAY, INK, PALE, PAPER, canvas, dress, label_axes, plain
from blend.show.quantities import labelled_runs
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEAN_CLASSES = (
    (0.0, 0.40, "below 40", "#F1E6D6"),
    (0.40, 0.60, "40 to 59", "#E6CDB6"),
    (0.60, 0.70, "60 to 69", "#D8A793"),
    (0.70, 0.80, "70 to 79", "#C48071"),
    (0.80, 0.88, "80 to 87", "#A95852"),
    (0.88, 0.93, "88 to 92", ACCENT),
    (0.93, 1.01, "93 and leaner", "#4A1817"),
)
"""Lean from, below which, how the class is called, and its color: fat pale, lean dark."""
DARK_FROM = 0.80
"""From here on a number on the class's color is written light."""
_NARROWEST_LABELLED = 6.0
"""Per cent of a bar that holds a number."""
_ROW_INCHES, _HEAD_INCHES, _WIDE_INCHES = 0.46, 2.0, 11.0
_BAR = 0.62


def blends_picture(case: Case, plan: Plan) -> Figure:
    """A bar for each recipe of what goes in by lean class, and beside it its lean in its band."""
    runs = labelled_runs(case, plan)
    height = _HEAD_INCHES + _ROW_INCHES * max(1, len(runs))
    made = canvas(f"Blends of {case.settings.plan_on.isoformat()}", inches=(_WIDE_INCHES, height))
    bars, bands = made.subplots(1, 2, sharey=True, width_ratios=(3, 2))
    dress(bars, "What goes in, by lean of the lots")
    dress(bands, "Lean within its tolerance")
    shown = _draw_bars(bars, case, [run for run, _ in runs])
    _draw_bands(bands, case, [run for run, _ in runs])
    bars.set_yticks(range(len(runs)), [_row_words(run, label) for run, label in runs])
    bars.set_ylim(len(runs) - 0.4, -0.6)
    bars.tick_params(axis="y", labelcolor=INK, length=0)
    bands.tick_params(axis="y", length=0)
    for axes in (bars, bands):
        axes.grid(visible=False, axis="y")
    names = [name for *_, name, _ in LEAN_CLASSES if name in shown]
    if names:
        made.legend(
            handles=[shown[name] for name in names],
            labels=names,
            title="Lean of lots, %",
            loc="outside lower left",
            ncols=len(LEAN_CLASSES),
            frameon=False,
            fontsize=9,
            title_fontsize=9,
            alignment="left",
        )
    return made


def shares_by_class(case: Case, run: BatchRun) -> dict[str, float]:
    """Share of a run's finished weight by the lean class of the lots it comes from."""
    product = case.product(run.product_id)
    shares: dict[str, float] = {}
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        kept_lb = each.pounds_lb * sum(kept_per_lb(lot, product, case.losses))
        name = lean_class(lot.lean)
        shares[name] = shares.get(name, 0.0) + kept_lb / run.finished_lb
    return shares


def lean_class(lean: float) -> str:
    """The name of the class that a lot of this lean belongs to."""
    return next(name for minimum, below, name, _ in LEAN_CLASSES if minimum <= lean < below)


def _row_words(run: BatchRun, label: str) -> str:
    batches = "batch" if run.batches == 1 else "batches"
    each = number_words(run.finished_lb, max_decimals=0)
    return f"{plain(label)}\n{run.batches} {batches} of {each} lb"


def _draw_bars(axes: Axes, case: Case, runs: list[BatchRun]) -> dict[str, object]:
    """The first bar of each class, for the legend."""
    shown = {}
    for row, run in enumerate(runs):
        shares = shares_by_class(case, run)
        left = 0.0
        for minimum, _, name, color in LEAN_CLASSES:
            width = shares.get(name, 0.0) * POINTS_PER_SHARE
            if not width:
                continue
            (bar,) = axes.barh(row, width, _BAR, left=left, color=color, edgecolor=PAPER)
            shown.setdefault(name, bar)
            if width >= _NARROWEST_LABELLED:
                text = PAPER if minimum >= DARK_FROM else INK
                axes.text(
                    left + width / 2, row, number_words(width, max_decimals=0),
                    color=text, ha="center", va="center", fontsize=9,
                )  # fmt: skip
            left += width
    axes.set_xlim(0, 100)
    axes.spines["left"].set_visible(False)
    label_axes(axes, "% of finished weight", "")
    return shown


def _draw_bands(axes: Axes, case: Case, runs: list[BatchRun]) -> None:
    """Lean points from the target, so that products of all leans share one scale."""
    for row, run in enumerate(runs):
        product = case.product(run.product_id)
        below, above = _points_from_target(product)
        lands = (run.lean - product.target_lean) * POINTS_PER_SHARE
        axes.barh(row, above - below, _BAR * 0.55, left=below, color=PALE)
        axes.plot([0, 0], [row - _BAR / 2.6, row + _BAR / 2.6], color=GRAY, linewidth=1.2)
        axes.plot(lands, row, "o", color=ACCENT, markersize=7, zorder=3)
        lean = number_words(run.lean * POINTS_PER_SHARE, min_decimals=2)
        axes.annotate(
            f"{lean} %", (1.02, row), xycoords=("axes fraction", "data"),
            ha="left", va="center", fontsize=9, color=INK,
        )  # fmt: skip
    axes.use_sticky_edges = False
    axes.margins(x=0.08)
    axes.spines["left"].set_visible(False)
    label_axes(axes, "lean points from the target; the dot is this plan", "")


def _points_from_target(product: Product) -> tuple[float, float]:
    below, above = product.tolerance_below_share, product.tolerance_above_share
    return -below * POINTS_PER_SHARE, above * POINTS_PER_SHARE
