"""The page's answers: who may see what, that only its own forms write, and that no request breaks it."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings

from analysis.alarm_store import read_alarms
from analysis.page import make_app
from analysis.page_command import page
from analysis.page_guard import COOKIE, TRIES, Guard, TRIES_s, new_token
from analysis.page_rigs import Rigs, Watched
from analysis.register import RegisterReader
from logger.errors import PlainError
from logger.settings import settings_from_text
from tests.page_journals import RIG, journal_with_a_leak_alarm

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI

TOKEN, HASHED = new_token()
HOSTILE = "<script>alert(1)</script>"


class Served:
    """An application with one rig that was looked at, and a clock that the test moves."""

    def __init__(self, folder: Path, token: str | None, *, only_loopback: bool, car: str = "") -> None:
        self.path = journal_with_a_leak_alarm(folder, car=car)
        self.rigs = Rigs((Watched(RIG, self.path, None), Watched("gone", folder / "gone.journal", None)))
        self.now_s = 0.0
        self.guard = Guard(token, lambda: self.now_s)
        self.app: FastAPI = make_app(self.rigs, self.guard, only_loopback=only_loopback)
        for key in self.rigs.watched:
            self.rigs.look(key)
        self.client = TestClient(self.app, base_url="http://127.0.0.1", follow_redirects=False)

    def acknowledgements(self) -> list[tuple[int, str, str]]:
        with RegisterReader(self.path) as register:
            register.soaks()
            return register.acknowledgements(0)


@pytest.fixture
def at_home(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path, None, only_loopback=True, car=HOSTILE + "x" * 5000)
    yield served
    served.rigs.close()


@pytest.fixture
def abroad(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path, HASHED, only_loopback=False)
    yield served
    served.rigs.close()


def test_every_view_answers_and_is_guarded_by_headers(at_home: Served) -> None:
    for path in (
        "/", f"/rigs/{RIG}", "/now", f"/now?key={RIG}", f"/rigs/{RIG}/plots", "/page.js", "/page.css", "/login",
        "/api/rigs", f"/api/rigs/{RIG}", f"/api/rigs/{RIG}/alarms", f"/api/rigs/{RIG}/course",
        f"/api/rigs/{RIG}/course.csv", "/openapi.json",
    ):  # fmt: skip
        answer = at_home.client.get(path)
        assert answer.status_code == 200, path
        assert "script-src 'self'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert HOSTILE not in answer.text or answer.headers["content-type"].startswith("application/json")


def test_what_a_person_typed_is_shown_and_does_nothing(at_home: Served) -> None:
    text = at_home.client.get("/").text
    assert "&lt;script&gt;alert(1)" in text
    assert "x" * 500 not in text


def test_each_section_says_when_it_is_decided(at_home: Served) -> None:
    said = at_home.client.get(f"/api/rigs/{RIG}").json()
    assert [x["name"] for x in said["findings"]["sections"]] == list(said["decisions"])
    text = at_home.client.get(f"/rigs/{RIG}").text
    assert text.count("<dt>Decision</dt>") == 2
    for decision in said["decisions"].values():
        assert decision["words"] in text
        assert (decision["since"] or decision["expected"] or "") in text


def test_an_unknown_rig_and_one_that_cannot_be_read(at_home: Served) -> None:
    assert at_home.client.get("/rigs/none").status_code == 404
    assert at_home.client.get("/api/rigs/none").status_code == 404
    assert at_home.client.get("/api/rigs/gone").status_code == 503
    assert (
        "CAN&#39;T BE READ" in at_home.client.get("/rigs/gone").text
        or "CAN'T BE READ" in at_home.client.get("/rigs/gone").text
    )


def test_another_name_for_this_computer_is_refused(at_home: Served) -> None:
    assert at_home.client.get("/", headers={"host": "rebound.example"}).status_code == 400


def test_an_alarm_is_acknowledged_only_by_a_form_of_ours(at_home: Served) -> None:
    ((alarm, _),) = read_alarms(at_home.path)
    form = {"alarm": alarm, "by": "Mara", "secret": "0" * 64}
    assert at_home.client.post(f"/rigs/{RIG}/acknowledge", data=form).status_code == 403
    assert at_home.acknowledgements() == []
    form["secret"] = at_home.guard.form_secret(None)
    assert at_home.client.post(f"/rigs/{RIG}/acknowledge", data=form | {"alarm": "no-1"}).status_code == 303
    assert at_home.acknowledgements() == []
    assert at_home.client.post(f"/rigs/{RIG}/acknowledge", data=form).status_code == 303
    assert [(name, who) for _, name, who in at_home.acknowledgements()] == [(alarm, "Mara")]


def test_from_elsewhere_nothing_is_seen_without_the_token(abroad: Served) -> None:
    client = abroad.client
    assert client.get("/").headers["location"] == "/login"
    for path in ("/api/rigs", "/openapi.json", f"/api/rigs/{RIG}/course.csv"):
        assert client.get(path).status_code == 401
    assert client.post(f"/rigs/{RIG}/acknowledge", data={"alarm": "x", "secret": "y"}).status_code == 401
    assert client.get("/api/rigs", headers={"authorization": f"Bearer {TOKEN}"}).status_code == 200
    assert client.post("/login", data={"token": "wrong"}).status_code == 401
    answer = client.post("/login", data={"token": TOKEN})
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/").status_code == 200
    # a form of another session is none of this one
    secret = abroad.guard.form_secret("another")
    assert client.post(f"/rigs/{RIG}/acknowledge", data={"alarm": "x", "secret": secret}).status_code == 403
    secret = abroad.guard.form_secret(client.cookies[COOKIE])
    assert client.post("/logout", data={"secret": secret}).status_code == 303
    assert client.get("/").status_code == 303


def test_guessing_is_slowed_down(abroad: Served) -> None:
    for _ in range(TRIES):
        assert abroad.client.post("/login", data={"token": "wrong"}).status_code == 401
    answer = abroad.client.post("/login", data={"token": TOKEN})
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) <= TRIES_s + 1
    assert abroad.client.get("/api/rigs", headers={"authorization": f"Bearer {TOKEN}"}).status_code == 429
    abroad.now_s += TRIES_s + 1.0
    assert abroad.client.post("/login", data={"token": TOKEN}).status_code == 303


def test_a_body_that_is_too_long_is_refused(at_home: Served) -> None:
    assert at_home.client.post("/login", data={"token": "x" * 20_000}).status_code == 413


def test_an_address_that_others_reach_needs_a_token(tmp_path: Path) -> None:
    path = journal_with_a_leak_alarm(tmp_path)
    with pytest.raises(PlainError, match="token_sha256"):
        page(settings_files=None, journals=[path], host="0.0.0.0", port=0, make_token=False)  # noqa: S104  it is refused


def test_the_settings_keep_the_hash_out_of_the_journal() -> None:
    read = settings_from_text(f'[rig]\nname = "a"\n[page]\ntoken_sha256 = "{HASHED}"\n')
    assert read.page is not None
    assert read.page.token_sha256 == HASHED
    assert HASHED not in read.text
    with pytest.raises(PlainError, match="64 hex digits"):
        settings_from_text('[page]\ntoken_sha256 = "secret"\n')


def test_no_request_breaks_the_documented_addresses(at_home: Served) -> None:
    schema = schemathesis.openapi.from_dict(at_home.client.get("/openapi.json").json())
    operations = [one.ok() for one in schema.get_all_operations()]
    assert len(operations) == 5
    for operation in operations:

        @given(case=operation.as_strategy())
        @settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck), database=None)
        def request(case: schemathesis.Case) -> None:
            words = case.as_transport_kwargs(base_url="http://127.0.0.1")
            answer = at_home.client.request(
                words["method"], words["url"], params=words.get("params"), headers={"host": "127.0.0.1"}
            )
            # 503 is what is documented for a journal that can't be read
            assert answer.status_code < 500 or answer.status_code == 503

        request()


def test_the_page_says_when_its_own_look_is_old(at_home: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "STALE" not in at_home.client.get(f"/rigs/{RIG}").text
    at_home.rigs.looked_s[RIG] = time.monotonic() - 60.0
    assert "STALE" in at_home.client.get(f"/rigs/{RIG}").text
    assert at_home.client.get(f"/api/rigs/{RIG}").json()["stale"] is True
    monkeypatch.undo()
