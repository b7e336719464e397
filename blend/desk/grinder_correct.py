"""Putting a batch right: a form that is remembered, and what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, page, view, working_or
from blend.domain.case import Case
from blend.domain.uncertainty import SOLVENT_EXTRACTION_SD_SHARE, shared_by_suppliers
from blend.errors import InputRefused, NoPlan, Problem
from blend.output.formats import number, printable
from blend.output.shown import ShownColumn, shown_of, shown_table
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from blend.grinder.adjust import AdjustAnswer

DRAFT = "grinder correct"
"""The draft that keeps the form as it was filled in."""
_LOT = "lot:"
"""Before the lot_id in the name of its tick box."""


@dataclass
class _Asked:
    """The form as read, and what cannot be read of it."""

    fields: Mapping[str, str]
    problems: list[Problem] = field(default_factory=list)

    def number(self, name: str, label: str, minimum: float, maximum: float) -> float:
        """A number that must be entered; NaN, with a problem noted, where it is not."""
        text = self.fields.get(name, "").strip()
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not minimum <= number <= maximum:
            read = printable(text)[:40] or "nothing"
            allowed = f"a number from {minimum:g} to {maximum:g}"
            self.problems.append(Problem(label, None, None, read, allowed))
        return number

    def number_if_any(self, name: str, label: str, minimum: float, maximum: float) -> float | None:
        """A number that may be left blank."""
        is_blank = not self.fields.get(name, "").strip()
        return None if is_blank else self.number(name, label, minimum, maximum)

    def ticked(self, name: str) -> bool:
        return self.fields.get(name) == "yes"


def correct_page(desk: Desk, request: Request, form: Form) -> Response:
    case = desk.case()
    asked = dict(request.query_params)
    is_asked = "product" in asked
    fields = asked if is_asked else _remembered(desk)
    read = _Asked(fields)
    job = _begin(desk, case, read) if is_asked else None
    values: dict[str, Any] = {
        "title": "Adjust a batch",
        "case": case,
        "day": case.settings.plan_on,
        "fields": fields,
        "default_sd": number(SOLVENT_EXTRACTION_SD_SHARE * POINTS_PER_SHARE),
        "lots": case.usable_lots(),
        "products": case.products,
        "certificate": "",
    }
    if job is None:
        return page(desk, request, "grinder_correct.html", problems=read.problems, **values)

    def done(found: AdjustAnswer) -> Response:
        steps = [[each] for each in found.steps]
        notes = {"batch": f"Every chance {found.errors}."}
        tables = [
            shown_table(found.headline, [ShownColumn("What to do")], steps),
            *(
                shown_of(frame, title=_TITLES[name], note=notes.get(name, ""))
                for name, frame in found.tables.items()
                if len(frame)
            ),
            shown_table("Cautions", [ShownColumn("")], [[each] for each in found.cautions]),
        ]
        values["certificate"] = found.checked
        return page(desk, request, "grinder_correct.html", tables, problems=[], **values)

    try:
        return working_or(desk, request, job, done, title="Adjust a batch")
    except InputRefused as refused:
        return page(desk, request, "grinder_correct.html", problems=refused.problems, **values)
    except NoPlan:
        no_recipe = Problem(
            "the plan's recipe",
            None,
            None,
            "no plan meets every requirement",
            "a day that can be planned",
        )
        return page(desk, request, "grinder_correct.html", problems=[no_recipe], **values)


_TITLES = {
    "add": "Add",
    "batch": "Before and after",
    "in_the_way": "In the way, and what would bring it into spec without it",
}


def _remembered(desk: Desk) -> dict[str, str]:
    kept = desk.journal.draft_as_json(DRAFT)
    return {str(name): str(text) for name, text in kept.items()} if isinstance(kept, dict) else {}


def _begin(desk: Desk, case: Case, read: _Asked) -> Job | None:
    """The work asked for; None where the form cannot be read, with the reasons in `read`."""
    from blend.domain.correction import Held, Reading, Terms
    from blend.grinder import adjust
    from blend.grinder.correct import lots_to_add
    from blend.tables.uncertainty import read_chance_constraints, read_spread

    product_id = read.fields["product"]
    if product_id not in {product.product_id for product in case.products}:
        read.problems.append(
            Problem("Product", None, None, printable(product_id)[:40], "a product of the sheet")
        )
        return None
    product = case.product(product_id)
    held_lb = read.number("held_lb", "Finished pounds in the blender", 1, 1e6)
    fat = read.number("fat", "Fat as tested, %", 0, 100)
    readings = read.number_if_any("readings", "How many readings", 1, 1000)
    sd = read.number_if_any("reading_sd", "Standard deviation of a reading, %", 0, 20)
    room_lb = read.number_if_any("room_lb", "Room, lb", 0, 1e6)
    confidence = read.number_if_any("confidence", "Confidence, %", 0, 99.9999)
    test_cost = read.number_if_any("test_cost", "Cost of a test, $", 0.01, 1e6)
    usable = {lot.lot_id for lot in case.usable_lots()}
    named = [name.removeprefix(_LOT) for name in read.fields if name.startswith(_LOT)]
    addable = lots_to_add(case, [name for name in named if name in usable])
    if not addable:
        read.problems.append(
            Problem(
                "Lots that may go in",
                None,
                None,
                "none, and no lot is in stock",
                "at least one lot",
            )
        )
    if read.problems:
        return None
    chance = {p.product_id: p.min_confidence for p in read_chance_constraints(desk.source, case)}
    spread = shared_by_suppliers(case.lots, read_spread(desk.source, case))
    terms = Terms(
        addable=addable,
        whole_containers=read.ticked("whole_containers"),
        may_remove=read.ticked("swap"),
        confidence=chance.get(product_id) if confidence is None else confidence / 100,
        step_lb=1.0,
        test_cost_usd=test_cost,
    )
    room = max(0.0, product.blender_max_lb - held_lb) if room_lb is None else room_lb
    reading = Reading(
        fat / POINTS_PER_SHARE,
        1 if readings is None else int(readings),
        SOLVENT_EXTRACTION_SD_SHARE if sd is None else sd / POINTS_PER_SHARE,
    )
    as_planned = read.ticked("as_planned")

    def work(job: Job) -> AdjustAnswer:
        recipe = ()
        if as_planned:
            recipe = _planned_recipe(case, product_id, job)
            job.say("what to add")
        held = Held(held_lb, room, recipe)
        return adjust.adjust(case, product_id, held, reading, terms, spread)

    key = (product_id, held_lb, room, reading, terms, as_planned)
    about = "What to do with the batch"
    return desk.ask("correct", *key, about=about, work=work, can_stop=as_planned)


def _planned_recipe(case: Case, product_id: str, job: Job):
    from blend.grinder.plan import make_plan

    plan = make_plan(case, shadow_prices=False, progress=job.say, stopped=job.is_stopped)
    run = next((run for run in plan.runs if run.product_id == product_id), None)
    if run is None:
        raise InputRefused(
            [
                Problem(
                    "the plan's recipe",
                    None,
                    None,
                    f"no batch of {product_id}",
                    "a product that the plan makes",
                )
            ]
        )
    return run.ingredients


routes = [Route("/grinder/correct", view(correct_page))]
