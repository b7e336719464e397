"""Certificates of maps of two prices: of their own case, and of any case."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.check.findings import Findings
from blend.check.regions import _check_cover
from blend.domain.certificates import Certificate, PlanPounds, Region, RegionCertificate
from blend.errors import InputRefused, NoPlan
from blend.model.solve import solve_linear
from blend.trader.curves import RegionMap, region_map
from blend.trader.parametric import Tangent, tile
from tests.bench.instances import make_instance
from tests.check.corrupt import changed, no_prices, pounds_moved, prices_moved
from tests.strategies import cases

CASE = make_instance(14, 4, 1, "plain")
_TAKEN = solve_linear(CASE).take_lb
LOTS = tuple(sorted(_TAKEN, key=_TAKEN.get, reverse=True)[:2])
FEW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


def _mapped(case, lots, around=0.3, minimum=None):
    own = [case.lot(lot_id).delivered_usd_per_lb for lot_id in lots]
    return region_map(
        case,
        lots,
        min_usd_per_lb=minimum or (own[0] * (1 - around), own[1] * (1 - around)),
        max_usd_per_lb=(own[0] * (1 + around), own[1] * (1 + around)),
        certify=True,
    )


MAP = _mapped(CASE, LOTS)
BY_AREA = sorted(range(len(MAP.regions)), key=lambda at: -MAP.regions[at].area)
LARGE, OTHER, SMALL = BY_AREA[0], BY_AREA[1], BY_AREA[5]


# Corruptions: each returns the map with one thing wrong in it


def _region(at, **fields):
    return changed(MAP, f"regions.{at}", lambda region: replace(region, **fields))


def _certificate(at, change):
    return changed(MAP, f"certificates.{at}", change)


def _corner_certificate(at, place, change):
    return changed(MAP, f"certificates.{at}.corners.{place}", change)


def _of_prices(change):
    """A change of an optimum, made to its dual prices alone."""
    return lambda prices: change(Certificate(PlanPounds({}, {}), prices)).prices


def _pounds(at, by):
    first, second = MAP.regions[at].pounds_lb
    return first + by[0], second + by[1]


def _turned_about_a_corner():
    """Pounds moved, and the cost with them, so that one corner still fits."""
    region = MAP.regions[LARGE]
    return _region(
        LARGE,
        pounds_lb=_pounds(LARGE, (1.0, 0.0)),
        rest_usd=region.rest_usd - region.corners_usd_per_lb[0][0],
    )


def _corner_moved(everywhere):
    """The corner of most regions inside the window, in all of them or in one."""
    inside = [
        corner
        for region in MAP.regions
        for corner in region.corners_usd_per_lb
        if all(
            minimum < at < maximum
            for at, minimum, maximum in zip(
                corner, MAP.min_usd_per_lb, MAP.max_usd_per_lb, strict=True
            )
        )
    ]
    corner = max(inside, key=inside.count)
    moved = (corner[0] + 1e-3, corner[1])
    regions, left = [], len(MAP.regions) if everywhere else 1
    for region in MAP.regions:
        corners = region.corners_usd_per_lb
        if corner in corners and left:
            corners, left = tuple(moved if at == corner else at for at in corners), left - 1
        regions.append(replace(region, corners_usd_per_lb=corners))
    return replace(MAP, regions=tuple(regions))


def _without(at, put=()):
    kept = [place for place in range(len(MAP.regions)) if place != at]
    return replace(
        MAP,
        regions=tuple(MAP.regions[place] for place in (*kept, *put)),
        certificates=tuple(MAP.certificates[place] for place in (*kept, *put)),
    )


def _never_found(at):
    """The map as it would be if the plan of one region were not known."""
    kept = [place for place in range(len(MAP.regions)) if place != at]
    planes = {
        place: Tangent(MAP.regions[place].rest_usd, MAP.regions[place].pounds_lb) for place in kept
    }
    place_of = {id(plane): place for place, plane in planes.items()}
    found = tile(
        lambda prices: min(planes.values(), key=lambda plane: plane.at(*prices)),
        MAP.min_usd_per_lb,
        MAP.max_usd_per_lb,
        1_000,
    )
    assert found.is_exact
    corners = [
        (np.array(corner), prices)
        for region, certificate in zip(MAP.regions, MAP.certificates, strict=True)
        for corner, prices in zip(region.corners_usd_per_lb, certificate.corners, strict=True)
    ]
    regions, certificates = [], []
    for cell in found.cells:
        place = place_of[id(cell.tangent)]
        polygon = tuple(map(tuple, cell.corners.tolist()))
        regions.append(replace(MAP.regions[place], corners_usd_per_lb=polygon))
        nearest = [
            min(corners, key=lambda known, at=at: np.abs(known[0] - at).sum())[1]
            for at in cell.corners
        ]
        certificates.append(RegionCertificate(MAP.certificates[place].pounds, tuple(nearest)))
    return replace(MAP, regions=tuple(regions), certificates=tuple(certificates))


CORRUPTIONS = {
    "pounds of a region moved": lambda: _region(LARGE, pounds_lb=_pounds(LARGE, (0.0, 1.0))),
    "cost of a region moved": lambda: _region(LARGE, rest_usd=MAP.regions[LARGE].rest_usd - 0.05),
    "pounds and cost moved together": _turned_about_a_corner,
    "a corner moved in one region": lambda: _corner_moved(everywhere=False),
    "a corner moved wherever regions meet": lambda: _corner_moved(everywhere=True),
    "a region dropped": lambda: _without(SMALL),
    "a region listed twice instead of another": lambda: _without(OTHER, put=(LARGE,)),
    "a region never found": lambda: _never_found(SMALL),
    "the pounds of another region": lambda: _region(
        LARGE, pounds_lb=MAP.regions[OTHER].pounds_lb, rest_usd=MAP.regions[OTHER].rest_usd
    ),
    "a region wound the other way": lambda: _region(
        LARGE, corners_usd_per_lb=MAP.regions[LARGE].corners_usd_per_lb[::-1]
    ),
    "the two lots swapped": lambda: replace(MAP, lot_ids=MAP.lot_ids[::-1]),
    "a wider window": lambda: replace(
        MAP, max_usd_per_lb=(MAP.max_usd_per_lb[0] * 1.01, MAP.max_usd_per_lb[1])
    ),
    "a narrower window": lambda: replace(
        MAP, min_usd_per_lb=(MAP.min_usd_per_lb[0] * 1.01, MAP.min_usd_per_lb[1])
    ),
    "pounds of a plan moved": lambda: _certificate(LARGE, lambda each: pounds_moved(each, 1.0)),
    "the plan of another region": lambda: _certificate(
        LARGE, lambda each: replace(each, pounds=MAP.certificates[OTHER].pounds)
    ),
    "prices moved": lambda: _corner_certificate(
        LARGE, 1, _of_prices(lambda each: prices_moved(each, 1e-4))
    ),
    "prices of another corner": lambda: _corner_certificate(
        LARGE, 0, lambda prices: MAP.certificates[SMALL].corners[0]
    ),
    "a corner without prices": lambda: _corner_certificate(LARGE, 2, _of_prices(no_prices)),
    "a certificate missing": lambda: replace(MAP, certificates=MAP.certificates[1:]),
    "no certificate": lambda: replace(MAP, certificates=()),
    "no region": lambda: replace(MAP, regions=(), certificates=()),
}


def test_a_map_is_of_its_own_case():
    """A larger order, or another price of a third lot: the certificate fails."""
    product = CASE.products[0]
    stricter = replace(product, min_lb=product.min_lb * 1.01, max_lb=None)
    third = next(lot_id for lot_id in _TAKEN if lot_id not in LOTS)
    pricier = replace(CASE.lot(third), price_usd_per_lb=CASE.lot(third).price_usd_per_lb + 0.01)
    lots = tuple(pricier if lot.lot_id == third else lot for lot in CASE.lots)
    for case in (
        replace(CASE, products=(stricter, *CASE.products[1:])),
        replace(CASE, lots=lots),
    ):
        assert not MAP.certified(case).is_valid


def test_a_map_that_is_not_exact_is_not_certified():
    rough = region_map(
        CASE,
        LOTS,
        min_usd_per_lb=MAP.min_usd_per_lb,
        max_usd_per_lb=MAP.max_usd_per_lb,
        max_solves=9,
        certify=True,
    )
    assert not rough.is_exact
    assert not rough.certified(CASE).is_valid


def _square(x, y, side=1.0):
    return ((x, y), (x + side, y), (x + side, y + side), (x, y + side))


def _covers(*polygons):
    """Whether regions of different pounds are found to make up a square of 2 by 2."""
    found = Findings()
    regions = [Region((float(at), 0.0), 0.0, polygon) for at, polygon in enumerate(polygons)]
    _check_cover(regions, ((0.0, 0.0), (2.0, 2.0)), found)
    return not found.faults


def test_regions_must_be_convex_and_add_up_to_the_window():
    four = [_square(0, 0), _square(1, 0), _square(0, 1), _square(1, 1)]
    assert _covers(*four)
    assert not _covers(*four[:3])
    assert not _covers(*four, _square(0.5, 0.5))
    assert not _covers(*four[:3], _square(0.999, 1))
    assert not _covers(*four[:3], four[0])
    dart = ((0.0, 0.0), (1.0, 0.0), (0.2, 0.2), (0.0, 1.0))
    line = ((0.0, 0.0), (1.0, 1.0), (2.0, 2.0))
    pentagram = tuple(
        (1 + np.cos(turn).item(), 1 + np.sin(turn).item()) for turn in 4 * np.pi * np.arange(5) / 5
    )
    for odd in (dart, _square(1.5, 0), line, four[0][::-1], pentagram):
        assert not _covers(*four[1:], odd)


@FEW
@given(cases(max_lots=5, max_products=2), st.data())
def test_maps_of_any_case_are_accepted_and_a_moved_one_is_not(case, data):
    assume(len(case.usable_lots()) >= 2)
    lots = data.draw(st.permutations([lot.lot_id for lot in case.usable_lots()]))[:2]
    assume(all(case.lot(lot_id).delivered_usd_per_lb > 0.01 for lot_id in lots))
    try:
        found = _mapped(case, tuple(lots), data.draw(st.sampled_from((0.02, 0.4, 1.0))))
    except (NoPlan, InputRefused):
        assume(False)
    certified = found.certified(case)
    assert certified.is_valid, certified.faults
    at = data.draw(st.integers(0, len(found.regions) - 1))
    by = data.draw(st.sampled_from((-5.0, -0.5, 0.5, 5.0)))
    region: Region = found.regions[at]
    for moved in (
        replace(region, pounds_lb=(region.pounds_lb[0] + by, region.pounds_lb[1])),
        replace(region, pounds_lb=(region.pounds_lb[0], region.pounds_lb[1] + by)),
        replace(region, rest_usd=region.rest_usd + by),
    ):
        regions = (*found.regions[:at], moved, *found.regions[at + 1 :])
        reported: RegionMap = replace(found, regions=regions)
        assert not reported.certified(case).is_valid
