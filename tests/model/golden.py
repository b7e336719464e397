"""Two small models that hold a row of every constraint class, as LP files.

`python -m tests.model.golden` writes them again; read the difference before keeping it. Pounds of
the frozen lot keep 0.81 of lean and 0.10 of fat after thawing.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from blend.domain.case import Case, Settings
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.model.pulp_model import write_model
from tests.published.cases import DAY, make_case, make_lot, make_product

HERE = Path(__file__).parent
FAT = make_lot(
    "fat", 0.5, 0.6, quantity_lb=400.0, container="combo", container_lb=50.0, min_purchase_lb=100.0
)
LEAN = make_lot("lean", 0.9, 2.0, quantity_lb=800.0, fresh_or_frozen="frozen")
PORK = make_lot("pork", 0.7, 0.5, species="pork", salvage_value_usd_per_lb=0.2)
GROUND = make_product(
    0.8, 500.0, max_lb=600.0, tolerance_below_share=0.05, batch_lb=300.0, blender_max_lb=400.0
)
SAUSAGE = make_product(
    0.7, 100.0, "sausage", blender_min_lb=50.0, shortage_penalty_usd_per_lb=3.0, sale_usd_per_lb=1.0
)
LOSSES = (Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.1),)


def _rule(kind: RuleKind, lots: str = "", **more) -> Rule:
    return Rule(f"own {kind}", kind, lots=parse_selector(lots), **more)


RULES = (
    _rule(RuleKind.SHARE, "lot=fat", min_share=0.1, max_share=0.9),
    _rule(RuleKind.FAT, min_share=0.1, max_share=0.4),
    _rule(RuleKind.MUST_USE, "lot=fat", min_lb=10.0),
    _rule(RuleKind.MUST_NOT_USE, "species=pork", products=("ground",)),
    _rule(
        RuleKind.MAX_TEMP,
        max_temp_f=40.0,
        excess_heat_btu_per_lb=(("fat", 5.0), ("lean", -2.0), ("pork", 1.0)),
    ),
    _rule(RuleKind.MAX_LOTS, max_count=2),
    _rule(RuleKind.MIN_IF_USED, min_share=0.01),
    _rule(
        RuleKind.KEEP_APART, "lot=fat", against=parse_selector("lot=lean"), products=("sausage",)
    ),
    _rule(RuleKind.EQUAL_RECIPE, products=("ground",)),
)
ADDED = LinearConstraint(
    "added",
    (Term(1.0, Pounds.TAKE, "lean"), Term(-2.0, Pounds.USE, "fat", "ground")),
    minimum=-900.0,
    maximum=700.0,
)


def _case(where: WholeContainers, *lots) -> Case:
    settings = Settings(plan_on=DAY, whole_containers=where)
    case = make_case(list(lots), [GROUND, SAUSAGE], *RULES, losses=LOSSES, settings=settings)
    return case.with_constraints([ADDED])


MODELS = {
    "taken": _case(WholeContainers.TAKEN, replace(FAT, must_take_all=True), LEAN, PORK),
    "per_product": _case(WholeContainers.PER_PRODUCT, FAT, LEAN, PORK),
    "per_batch": _case(WholeContainers.PER_BATCH, FAT, LEAN),
}


def lp_text(case: Case) -> str:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "model.lp"
        write_model(case, file)
        return file.read_text()


if __name__ == "__main__":
    for name, case in MODELS.items():
        (HERE / f"{name}.lp").write_text(lp_text(case))
