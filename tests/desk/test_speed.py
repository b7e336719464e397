"""From an edit to the new plan: the right plan, and soon."""

from __future__ import annotations

import socket
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.bench.measure import bench_paths, pairs
from tests.bench.page import EDIT, SIZES, edited_page, time_pages


def test_an_edit_comes_to_the_plan_of_what_was_typed():
    with edited_page(pairs(8, 2)) as page:  # there the edited lot is used, so the cost moves
        costs = set()
        for _ in range(3):
            page.edit()
            assert page.cost() == pytest.approx(page.plain_cost(), rel=1e-6)
            costs.add(page.cost())
        assert len(page.desk.book.done) == 3
        assert len(costs) == 3


def test_a_connection_that_the_desk_let_go_of_is_made_anew():
    """As it does while the plain way takes minutes."""
    with edited_page(pairs(8, 2)) as page:
        page.edit()
        page._connection.sock.shutdown(socket.SHUT_RDWR)
        page.edit()
        assert len(page.desk.book.done) == 2


def test_both_ways_of_the_path_agree():
    from dataclasses import replace

    (row,) = bench_paths([replace(EDIT, sizes=(pairs(12, 3),))], memory=False)
    assert row.agrees and row.ours_s > 0 and row.plain_s > 0


@pytest.mark.slow
def test_times_of_the_page_are_of_the_plan_that_was_typed(record_property):
    with ThreadPoolExecutor(1) as elsewhere:  # a browser's test may have a loop in this thread
        (row,) = elsewhere.submit(time_pages, SIZES[:1]).result()
    record_property("edit, ms", 1e3 * row.edit_s)
    record_property("solver, ms", 1e3 * row.solver_s)
    assert row.apart_share < 1e-6
    assert row.solver_s > 0 and row.edit_s > 0
    if row.seen_s is not None:
        record_property("seen, ms", 1e3 * row.seen_s)
        assert row.seen_s > 0
