"""The engine of the guided fuzzing of pages, on inputs that do not change: so it cannot rot."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from blend.desk import trader_days
from tests.attack.fuzz_pages import BETWEEN, DrawsOfBytes, SmallDesk, report_of
from tests.desk.requests import NASTY
from tests.desk.sound import sound_requests

pytestmark = pytest.mark.slow
SINCE = "/trader/since"


@pytest.fixture(scope="module")
def small_desk(tmp_path_factory) -> Iterator[SmallDesk]:
    desk = SmallDesk(tmp_path_factory.mktemp("fuzz") / "desk")
    yield desk
    desk.close()


def fixed_inputs(desk: SmallDesk) -> list[bytes]:
    """What pages send, alone and one after the other, and bytes of no meaning."""
    sound = desk.sound()
    pairs = [BETWEEN.join(sound[n : n + 3]) for n in range(0, len(sound), 12)]
    random = Random(1)
    spoilt = [data + random.randbytes(random.randrange(1, 40)) for data in sound[::5]]
    blind = [random.randbytes(random.randrange(60)) for _ in range(20)]
    return [*pairs, *spoilt, *blind, b"", BETWEEN * 9]


def test_fixed_inputs_are_answered_well_and_alike_in_any_order(small_desk):
    inputs, statuses = fixed_inputs(small_desk), {}
    assert len(inputs) >= 50
    for data in inputs:
        assert not small_desk.troubles(data), report_of(small_desk, data)
        statuses[data] = [status for status, _ in small_desk.answered]
    assert {status for each in statuses.values() for status in each} >= {200, 303, 404, 422}
    for data in reversed(inputs[::2]):
        assert not small_desk.troubles(data)
        assert [status for status, _ in small_desk.answered] == statuses[data], data


def test_what_pages_send_is_taken_as_it_was_found(small_desk):
    refused = []
    for data, (_, sound) in zip(small_desk.sound(), sound_requests(), strict=True):
        assert not small_desk.troubles(data), report_of(small_desk, data)
        ((status, sent),) = small_desk.answered
        assert sent.method == sound.method and sent.url.split("?")[0].startswith(sound.path)
        if status >= 400:
            refused.append(f"{status} {sent}")
    # some hang on what was sent before them
    assert len(refused) < len(sound_requests()) / 10, "\n".join(refused)


def test_every_route_is_found_by_following_the_pages(small_desk):
    found = {place for place, _ in sound_requests()}
    lacking = [r.path for n, r in enumerate(small_desk.grammar.routes) if n not in found]
    assert not lacking


def _of(desk: SmallDesk, path: str) -> bytes:
    sound = zip(desk.sound(), sound_requests(), strict=True)
    return next(data for data, (_, each) in sound if each.path == path)


def _fails(desk, request):
    raise ZeroDivisionError("planted")


def _writes_beside(desk, request):
    (desk.place / "lots.csv").write_text("planted")


def _writes_elsewhere(desk, request):
    (Path(tempfile.gettempdir()).parents[1] / "planted.csv").write_text("planted")


def _leaves_a_temporary_file(desk, request):
    (Path(tempfile.gettempdir()) / "planted.csv").write_text("planted")


def _types(desk, request):
    desk.journal.keep_draft("planted", "planted")


@pytest.mark.parametrize(
    ("plant", "words"),
    [
        (_fails, "ZeroDivisionError planted"),
        (_writes_beside, "changed: "),
        (_writes_elsewhere, "touched: open"),
        (_leaves_a_temporary_file, "changed: "),
        (_types, "something was changed by reading"),
    ],
)
def test_what_is_planted_is_found_and_put_back(small_desk, monkeypatch, plant, words):
    data = _of(small_desk, SINCE)

    def planted(request, *given, **how):
        plant(small_desk.desk, request)
        return 0

    with monkeypatch.context() as within:
        within.setattr(trader_days, "asked_count", planted)
        troubles = small_desk.troubles(data)
    assert len(troubles) == 1 and words in troubles[0], troubles
    assert not small_desk.troubles(data)


def test_past_the_end_of_the_bytes_every_draw_is_the_plainest():
    draws = DrawsOfBytes(b"")
    assert draws.random() > 0.99
    assert draws.choice("abc") == "a" and draws.randrange(10**9) == 0
    assert draws.text() == NASTY[0]
    assert draws.sample(range(1_000), 3) == [0, 1, 2]


def test_a_text_may_stand_in_the_bytes_themselves():
    assert DrawsOfBytes(b"\xff\x05hello, you").text() == "hello"
    assert DrawsOfBytes(b"\x01").text() == NASTY[1]
