"""No command shows an answer whose certificate fails."""

from __future__ import annotations

from dataclasses import replace

import pytest
from click.testing import CliRunner

import blend.reporter.explain
import blend.reporter.market_prices
import blend.trader.curves
from blend.cli import main
from blend.tables.clearing import write_market
from blend.tables.write import write_case
from tests.check.test_why import AFTER, BEFORE
from tests.reporter.markets import market


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    place = tmp_path_factory.mktemp("certified")
    for name, case in {"before": BEFORE, "after": AFTER}.items():
        write_case(case, place / name)
    for name, each in {"market": market(), "later": market(I90=3700)}.items():
        write_market(each, place / name)
    return place


def _step_moved(curve):
    first = curve.steps[0]
    field = "pounds_lb" if hasattr(first, "pounds_lb") else "usd_at_least"
    moved = replace(first, **{field: getattr(first, field) + 1})
    return replace(curve, steps=(moved, *curve.steps[1:]))


def _part_moved(explained):
    first, *rest = explained.contributions
    return replace(explained, contributions=(replace(first, amount=first.amount + 0.01), *rest))


def _region_moved(found):
    first, *rest = found.regions
    return replace(found, regions=(replace(first, rest_usd=first.rest_usd + 0.01), *rest))


COMMANDS = {
    "regions": (
        "breakeven before 90s --second 50s --certificate",
        (blend.trader.curves, "region_map"),
        _region_moved,
    ),
    "demand": (
        "breakeven before 90s --certificate",
        (blend.trader.curves, "demand_curve"),
        _step_moved,
    ),
    "supply": (
        "breakeven before 90s --by-pounds --certificate",
        (blend.trader.curves, "supply_curve"),
        _step_moved,
    ),
    "why of plans": (
        "why before after --where lot=90s --certificate",
        (blend.reporter.explain, "why_plan_moved"),
        lambda why: replace(why, cost=_part_moved(why.cost)),
    ),
    "why of markets": (
        "why market later --where lot=90s --certificate",
        (blend.reporter.explain, "why_market_moved"),
        lambda why: replace(why, price=replace(why.price, next=_part_moved(why.price.next))),
    ),
    "why --market": (
        "why market --market --certificate",
        (blend.reporter.market_prices, "clear_market"),
        lambda cleared: replace(
            cleared, volume_lb={name: lb * 0.99 for name, lb in cleared.volume_lb.items()}
        ),
    ),
}


def run(folders, line):
    placed = [str(folders / each) if (folders / each).is_dir() else each for each in line.split()]
    return CliRunner().invoke(main, placed)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_right_answer_is_shown_certified_and_a_wrong_one_is_not(name, folders, monkeypatch):
    line, (module, function), corrupt = COMMANDS[name]
    shown = run(folders, line)
    assert shown.exit_code == 0, shown.output
    assert "exact arithmetic" in " ".join(shown.output.split())
    right = getattr(module, function)
    monkeypatch.setattr(module, function, lambda *args, **more: corrupt(right(*args, **more)))
    refused = run(folders, line)
    assert refused.exit_code == 1
    assert "The certificate of the" in refused.output
    assert "exact arithmetic" not in refused.output
