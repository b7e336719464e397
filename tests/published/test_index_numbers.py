"""The worked data set of the Consumer Price Index Manual (ILO and others, 2004), chapter 19.

Six goods, five periods. The expected values, to four decimals, were read in the printed output
of a public index-number package that works the manual's data; they follow from the data.
"""

from __future__ import annotations

import pytest

from blend.report.index_numbers import fisher, laspeyres, paasche, tornqvist

PRICES = (
    (1, 1, 1, 1, 1, 1),
    (1.2, 3, 1.3, 0.7, 1.4, 0.8),
    (1, 1, 1.5, 0.5, 1.7, 0.6),
    (0.8, 0.5, 1.6, 0.3, 1.9, 0.4),
    (1, 1, 1.6, 0.1, 2, 0.2),
)
QUANTITIES = (
    (1, 1, 2, 1, 4.5, 0.5),
    (0.8, 0.9, 1.9, 1.3, 4.7, 0.6),
    (1, 1.1, 1.8, 3, 5, 0.8),
    (1.2, 1.2, 1.9, 6, 5.6, 1.3),
    (0.9, 1.2, 2, 12, 6.5, 2.5),
)
LASPEYRES = (1, 1.4200, 1.3450, 1.3550, 1.4400)
PAASCHE = (1, 1.3824, 1.2031, 1.0209, 0.7968)
FISHER = (1, 1.4011, 1.2721, 1.1762, 1.0712)
TORNQVIST = (1, 1.4052, 1.2890, 1.2268, 1.2477)


@pytest.mark.parametrize("period", range(5))
def test_manual_chapter_19(period):
    p0, q0, p1, q1 = PRICES[0], QUANTITIES[0], PRICES[period], QUANTITIES[period]
    assert laspeyres(p0, q0, p1) == pytest.approx(LASPEYRES[period], abs=5e-5)
    assert paasche(p0, p1, q1) == pytest.approx(PAASCHE[period], abs=5e-5)
    assert fisher(p0, q0, p1, q1) == pytest.approx(FISHER[period], abs=5e-5)
    assert tornqvist(p0, q0, p1, q1) == pytest.approx(TORNQVIST[period], abs=5e-5)
