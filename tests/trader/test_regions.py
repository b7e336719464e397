"""Maps of two prices against another solver, and against the demand curve of one of them."""

from __future__ import annotations

from random import Random

import pytest

from blend.domain.case import Case
from blend.errors import InputRefused
from blend.trader.curves import Region, RegionMap, demand_curve, region_map
from tests.bench.instances import make_instance
from tests.trader.sweep import at_price, by_reference

CASE = make_instance(14, 4, 1, "plain")


@pytest.fixture(scope="module")
def lots() -> tuple[str, str]:
    taken = by_reference(CASE).take_lb
    first, second, *_ = sorted(taken, key=taken.get, reverse=True)
    return first, second


@pytest.fixture(scope="module")
def found(lots) -> RegionMap:
    own = [CASE.lot(lot_id).delivered_usd_per_lb for lot_id in lots]
    return region_map(
        CASE,
        lots,
        min_usd_per_lb=(own[0] * 0.6, own[1] * 0.6),
        max_usd_per_lb=(own[0] * 1.3, own[1] * 1.3),
    )


def _region_of(found: RegionMap, prices: tuple[float, float]) -> Region:
    def cost(region: Region) -> float:
        taken = zip(region.pounds_lb, prices, strict=True)
        return region.rest_usd + sum(pounds * price for pounds, price in taken)

    return min(found.regions, key=cost)


def _holds(region: Region, place: tuple[float, float], margin: float) -> bool:
    corners = region.corners_usd_per_lb
    return all(
        (x2 - x1) * (place[1] - y1) - (y2 - y1) * (place[0] - x1) >= margin
        for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True)
    )


def test_regions_tile_the_window(found):
    sides = zip(found.min_usd_per_lb, found.max_usd_per_lb, strict=True)
    (width, height) = (maximum - minimum for minimum, maximum in sides)
    assert found.is_exact
    assert len(found.regions) >= 4
    assert sum(region.area for region in found.regions) == pytest.approx(width * height)
    assert len({region.pounds_lb for region in found.regions}) == len(found.regions)


def test_pounds_are_those_of_another_solver(found, lots):
    random = Random(5)
    compared = 0
    for _ in range(25):
        prices = tuple(
            random.uniform(minimum, maximum)
            for minimum, maximum in zip(found.min_usd_per_lb, found.max_usd_per_lb, strict=True)
        )
        region = _region_of(found, prices)
        assert _holds(region, prices, -1e-9)
        case: Case = CASE
        for lot_id, price in zip(lots, prices, strict=True):
            case = at_price(case, lot_id, price)
        answer = by_reference(case)
        if _holds(region, prices, 1e-6):
            compared += 1
            taken = [answer.take_lb[lot_id] for lot_id in lots]
            assert taken == pytest.approx(region.pounds_lb, abs=0.01)
    assert compared > 15


def test_along_one_price_it_is_the_demand_curve(found, lots):
    first, _ = lots
    price = found.delivered_usd_per_lb[1]
    curve = demand_curve(CASE, first)
    minimum, maximum = found.min_usd_per_lb[0], found.max_usd_per_lb[0]
    for index in range(60):
        at = minimum + (maximum - minimum) * (index + 0.5) / 60
        assert _region_of(found, (at, price)).pounds_lb[0] == pytest.approx(
            curve.pounds_at(at)[0], abs=0.01
        )


def test_too_few_solves_give_a_map_that_says_it_is_not_exact(lots):
    rough = region_map(
        CASE, lots, min_usd_per_lb=(0.1, 0.1), max_usd_per_lb=(4.0, 4.0), max_solves=5
    )
    assert not rough.is_exact


def test_one_lot_is_not_two(lots):
    with pytest.raises(InputRefused, match="twice"):
        region_map(CASE, (lots[0],) * 2, min_usd_per_lb=(0, 0), max_usd_per_lb=(1, 1))


def test_a_window_has_a_width(lots):
    with pytest.raises(InputRefused, match="a price above 0"):
        region_map(CASE, lots, min_usd_per_lb=(1, 0), max_usd_per_lb=(2, 0))


def test_regions_that_meet_have_corners_in_common(found):
    """Inside the window, each corner is one of three regions or more, to the last bit."""
    inside = [
        corner
        for region in found.regions
        for corner in region.corners_usd_per_lb
        if all(
            minimum < at < maximum
            for at, minimum, maximum in zip(
                corner, found.min_usd_per_lb, found.max_usd_per_lb, strict=True
            )
        )
    ]
    assert inside
    assert min(map(inside.count, inside)) >= 3
