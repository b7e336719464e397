"""What was found by sending odd requests stays fixed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from blend.desk.desk import Desk
from blend.desk.journal import OWN
from tests.desk.conftest import client_of
from tests.desk.sound import small_options, small_place

DAY = "2025-09-30"
NOTE = {"day": DAY, "version": "1", "title": "Day's note", "since": ""}


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    small_place(folder)
    return folder


@pytest.fixture
def client(small, tmp_path) -> Iterator[TestClient]:
    """A client of a small plant's desk."""
    shutil.copytree(small, tmp_path / "small")
    desk = Desk(**small_options(tmp_path / "small"))
    yield client_of(desk, follow_redirects=False)
    desk.close()


def looked(client, address):
    """The answer, once it needs no second look."""
    answer = client.get(address)
    while 'class="working"' in answer.text:
        answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return answer


def test_an_assessor_is_remembered_who_published_not_who_looked(client):
    drafts = client.app.state.desk.journal.drafts
    fields = {"day": DAY, "assessor": "A. Writer"}
    shown = looked(client, f"/reporter/quotations/publish?day={DAY}&assessor=A.+Writer")
    assert "assessor" not in drafts
    position = shown.text.split('name="position" value="')[1].split('"')[0]
    answer = client.post("/reporter/quotations/publish", data=fields | {"position": position})
    assert answer.status_code == 303, answer.text
    assert drafts["assessor"] == "A. Writer"
    assert 'value="A. Writer"' in looked(client, f"/reporter/quotations?day={DAY}").text


def test_a_form_keeps_nothing_in_the_place_of_what_the_desk_keeps(client):
    """Else one request would spoil a page for good."""
    drafts = client.app.state.desk.journal.drafts
    assert client.post("/grinder/pin").status_code == 200
    assert client.post("/reporter/note/make", data=NOTE).status_code == 303
    assert client.post("/reporter/tone/levels", data={"day": DAY}).status_code == 303
    own = [key for key in drafts if key.startswith(OWN)]
    assert len(own) == 3
    kept = dict(drafts)
    for key in [*own, OWN]:
        answer = client.post("/draft", data={"key": key, "text": '{"at": 1, "version": "x"}'})
        assert answer.status_code == 422
    assert drafts == kept


@pytest.mark.parametrize(
    ("key", "page"),
    [
        ("canvass", "/reporter"),
        ("canvass-paste", "/reporter"),
        ("item", "/reporter/items"),
        ("grinder correct", "/grinder/correct"),
    ],
)
@pytest.mark.parametrize("text", ["[" * 100_000, "9" * 5_000, "[1]", "null", '{"source": [1]}'])
def test_a_form_shows_though_what_was_kept_of_it_is_no_form(client, key, page, text):
    assert client.post("/draft", data={"key": key, "text": text}).status_code == 204
    looked(client, page)


@pytest.mark.parametrize("text", ["9" * 5_000, "²", "٣", "-1", "1e3", " 1"])
def test_a_number_of_an_address_or_form_is_one_that_is_told(client, text):
    why = {"of": "plan", "item": "fresh 50s"}
    looked(client, f"/reporter/why?{urlencode(why)}")
    assert client.get("/reporter/why", params=why | {"step": text}).status_code == 422
    client.post("/reporter/note/make", data=NOTE)
    assert client.post("/reporter/note/version", data={"day": DAY, "to": text}).status_code == 422
    told = client.post("/reporter/note/version", data={"day": DAY, "to": "1"})
    assert told.status_code == 303
