"""Plan, price and report on meat trimmings by lean point.

    import blend

    case = blend.read("demo_data")
    plan = blend.plan(case)
    plan.purchases                            # a pandas DataFrame, units in the column names

One function a question, named like the command. `blend.model(case)` is the plan as a PuLP problem.
Modules are imported when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from blend.domain.case import Case as Case
    from blend.grinder.adjust import adjust as adjust
    from blend.grinder.day_plan import plan as plan
    from blend.grinder.days import days as days
    from blend.grinder.lot import lot as lot
    from blend.grinder.simulate import simulate as simulate
    from blend.lean.batches import control as control
    from blend.reading import read as read
    from blend.reporter.explain import explain_market as why_market  # noqa: F401
    from blend.reporter.explain import explain_plan as why  # noqa: F401
    from blend.reporter.quote import quote_day as quote  # noqa: F401
    from blend.reporter.volumes import volumes_on as volumes  # noqa: F401
    from blend.reporter.weekly import weekly as weekly
    from blend.store import Store as Store
    from blend.tables.quotations import read_quotations as read_quotations
    from blend.trader.book_day import book_day as book  # noqa: F401
    from blend.trader.breakeven import breakeven as breakeven
    from blend.trader.forward import forward_curve as forward_curve
    from blend.trader.landed import landed as landed
    from blend.trader.scenarios import run_scenarios as scenarios  # noqa: F401
    from blend.trader.substitute import substitute as substitute
    from blend.trader.value import value as value

_WHERE = {
    "Case": "blend.domain.case:Case",
    "Store": "blend.store:Store",
    "adjust": "blend.grinder.adjust:adjust",
    "book": "blend.trader.book_day:book_day",
    "breakeven": "blend.trader.breakeven:breakeven",
    "control": "blend.lean.batches:control",
    "days": "blend.grinder.days:days",
    "forward_curve": "blend.trader.forward:forward_curve",
    "landed": "blend.trader.landed:landed",
    "lot": "blend.grinder.lot:lot",
    "plan": "blend.grinder.day_plan:plan",
    "quote": "blend.reporter.quote:quote_day",
    "read": "blend.reading:read",
    "read_quotations": "blend.tables.quotations:read_quotations",
    "scenarios": "blend.trader.scenarios:run_scenarios",
    "simulate": "blend.grinder.simulate:simulate",
    "substitute": "blend.trader.substitute:substitute",
    "value": "blend.trader.value:value",
    "volumes": "blend.reporter.volumes:volumes_on",
    "weekly": "blend.reporter.weekly:weekly",
    "why": "blend.reporter.explain:explain_plan",
    "why_market": "blend.reporter.explain:explain_market",
}
_PACKAGES = ("lean", "model")
"""Packages that are functions too: `blend.model(case)`, `blend.lean(case, tests, methods)`."""

__all__ = [*_WHERE, *_PACKAGES]


def __getattr__(name: str) -> Any:
    if name in _PACKAGES:
        return import_module(f"blend.{name}")
    if name not in _WHERE:
        raise AttributeError(f"module 'blend' has no attribute {name!r}")
    module, _, attribute = _WHERE[name].partition(":")
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
