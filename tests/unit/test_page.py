"""The page's answers: who may see what, that only its own forms write, and that no request breaks it."""

from __future__ import annotations

import re
import socket
import time
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings, strategies
from schemathesis import GenerationMode
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.requests import HTTPConnection

from analysis import page as page_views
from analysis import page_command, page_guard, page_rigs, page_sessions
from analysis.alarm_store import read_alarms
from analysis.page import make_app
from analysis.page_command import page
from analysis.page_guard import COOKIE, TRIES, Guard, SESSION_s, TRIES_s, new_token
from analysis.page_rigs import Rigs, Watched
from analysis.page_server import make_server
from analysis.page_sessions import Sessions, sessions_path
from analysis.register import RegisterReader, soaks_path
from analysis.state import Look
from logger.errors import PlainError
from logger.settings import settings_from_text
from tests.page_journals import RIG, journal_with_a_leak_alarm

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI
    from hypothesis.strategies import SearchStrategy

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
            while key not in self.rigs.states and key not in self.rigs.errors:
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


# names under which a stranger once was let in, or could be
NO_HOSTS = (
    "x/login?", "x/login#", "x/page.css?", "x?/login", "/login?", "@x", "a@127.0.0.1", "127.0.0.1/login?",
    "127.0.0.1:80:80", "127.0.0.1:http", "localhost\\login", "[::1", "", "x y", "127.0.0.1,127.0.0.1", "\u0661.example",
)  # fmt: skip


def test_another_name_for_this_computer_is_refused(at_home: Served) -> None:
    for host in ("rebound.example", "192.0.2.1", socket.gethostname() + ".elsewhere.example", *NO_HOSTS):
        assert at_home.client.get("/", headers={"host": host.encode()}).status_code == 400, host
    for host in ("localhost:8460", "127.0.0.1", "[::1]:8460", "LOCALHOST."):
        assert at_home.client.get("/", headers={"host": host}).status_code == 200, host


@pytest.mark.parametrize("host", NO_HOSTS)
def test_a_host_that_is_none_lets_nobody_in(abroad: Served, host: str) -> None:
    ((alarm, _),) = read_alarms(abroad.path)
    head = {"host": host.encode()}
    for path in ("/", "/api/rigs", f"/rigs/{RIG}", "/openapi.json", "/login"):
        assert abroad.client.get(path, headers=head).status_code == 400, path
    form = {"alarm": alarm, "secret": abroad.guard.form_secret(None)}
    assert abroad.client.post(f"/rigs/{RIG}/acknowledge", data=form, headers=head).status_code == 400
    assert abroad.acknowledgements() == []


def test_on_every_address_the_page_goes_by_its_own_names(abroad: Served) -> None:
    app = make_app(abroad.rigs, abroad.guard, only_loopback=False, names=("Shop.Example",))
    client = TestClient(app, base_url="http://127.0.0.1", follow_redirects=False)
    own = socket.gethostname().lower()
    for host in (
        "shop.example",
        "shop.example:8443",
        own,
        f"{own.partition('.')[0]}.local",
        "192.0.2.1:8460",
        "[2001:db8::1]",
    ):
        assert client.get("/login", headers={"host": host}).status_code == 200, host
    for host in ("rebound.example", "shop.example.rebound.example", "xshop.example"):
        answer = client.get("/login", headers={"host": host})
        assert (answer.status_code, "[page] names" in answer.text) == (400, True), host
    with pytest.raises(PlainError, match=r"page\.names: .*without port"):
        settings_from_text('[page]\nnames = ["shop.example:8443"]\n')


def test_nothing_goes_by_an_address_that_is_put_together_from_headers(
    abroad: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such an address has been another than the one that was routed by."""

    def asked(_request: object) -> None:
        pytest.fail("request.url was asked for")

    monkeypatch.setattr(HTTPConnection, "url", property(asked))
    assert abroad.client.get("/api/rigs").status_code == 401
    assert abroad.client.post("/login", data={"token": TOKEN}).status_code == 303
    for path in ("/", f"/rigs/{RIG}", "/now", "/login", "/api/rigs", "/nowhere", "/login/", "//login"):
        assert abroad.client.get(path).status_code < 500


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


def restarted(served: Served, token_sha256: str | None, utc_s: float) -> TestClient:
    """A browser that keeps its cookie while the page's process is begun anew."""
    sessions = Sessions(sessions_path(served.path))
    guard = Guard(token_sha256, lambda: 0.0, sessions, lambda: utc_s)
    app = make_app(served.rigs, guard, only_loopback=False)
    return TestClient(app, base_url="http://127.0.0.1", follow_redirects=False)


def form_secret_in(page: str) -> str:
    found = re.search(r'name="secret" value="(\w+)"', page)
    assert found is not None
    return found[1]


def test_a_restart_logs_nobody_out_but_time_a_new_token_and_logging_out_do(abroad: Served) -> None:
    before = restarted(abroad, HASHED, 1000.0)
    assert before.post("/login", data={"token": TOKEN}).status_code == 303
    cookie = before.cookies[COOKIE]
    secret = form_secret_in(before.get("/").text)
    kept = b"".join(path.read_bytes() for path in abroad.path.parent.glob("*.page-sessions*"))
    assert kept
    for hidden in (cookie, TOKEN, HASHED):
        assert hidden.encode() not in kept

    def code(token_sha256: str, utc_s: float) -> int:
        later = restarted(abroad, token_sha256, utc_s)
        later.cookies.set(COOKIE, cookie)
        return later.get("/").status_code

    assert code(HASHED, 1000.0 + SESSION_s - 1.0) == 200
    assert code(HASHED, 1000.0 + SESSION_s) == 303
    # a clock that was set back makes no session longer
    assert code(HASHED, 999.0) == 303
    assert code(new_token()[1], 1001.0) == 303
    after = restarted(abroad, HASHED, 1001.0)
    after.cookies.set(COOKIE, cookie)
    # the form that still stands in the browser is taken, too
    assert after.post("/logout", data={"secret": secret}).status_code == 303
    assert code(HASHED, 1002.0) == 303


def test_sessions_that_can_not_be_kept_hold_until_the_next_restart(
    abroad: Served, caplog: pytest.LogCaptureFixture
) -> None:
    sessions_path(abroad.path).write_bytes(b"not ours" * 500)
    client = restarted(abroad, HASHED, 1000.0)
    assert client.post("/login", data={"token": TOKEN}).status_code == 303
    assert client.get("/").status_code == 200
    assert "sessions of the page hold until it is restarted only: " in caplog.text


def test_there_is_an_end_to_the_number_of_sessions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_sessions, "MOST_SESSIONS", 3)
    for sessions in (Sessions(tmp_path / "kept"), Sessions()):
        for number in range(5):
            sessions.begin(str(number), 100.0 + number, 0.0)
        assert [sessions.until_s(str(n)) for n in range(5)] == [None, None, 102.0, 103.0, 104.0]
        sessions.begin("new", 500.0, 400.0)  # by then all others are over
        assert sessions.until_s("4") is None
        sessions.close()


def test_what_can_not_be_written_down_is_said(at_home: Served) -> None:
    soaks_path(at_home.path).write_bytes(b"not ours" * 500)
    form = {"alarm": read_alarms(at_home.path)[0][0], "secret": at_home.guard.form_secret(None)}
    answer = at_home.client.post(f"/rigs/{RIG}/acknowledge", data=form)
    assert answer.status_code == 503
    assert "bay.journal.soaks" in answer.json()["detail"]


@pytest.fixture
def naps(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How long answers were held back, without waiting for it."""
    taken: list[float] = []

    async def nap(seconds: float) -> None:
        taken.append(seconds)

    monkeypatch.setattr(page_views.asyncio, "sleep", nap)
    return taken


def visitor(served: Served, address: str) -> TestClient:
    return TestClient(
        served.app, base_url="http://127.0.0.1", follow_redirects=False, client=(address, 40_000)
    )


def tries(client: TestClient, token: str) -> tuple[int, int]:
    """What the form and the header are answered."""
    by_header = client.get("/api/rigs", headers={"authorization": f"Bearer {token}"}).status_code
    return client.post("/login", data={"token": token}).status_code, by_header


def test_a_strangers_guesses_are_slowed_down_and_keep_nobody_out(abroad: Served, naps: list[float]) -> None:
    stranger = visitor(abroad, "192.0.2.66")
    for number in range(300):  # five a second, by both ways, for a minute
        answers = tries(stranger, f"wrong {number}")
        assert number < TRIES or answers == (429, 429)
        abroad.now_s += 0.2
        if number % 15 == 0:
            # whoever has the token comes in, from wherever: also from the stranger's side of a router
            for address in ("198.51.100.1", "192.0.2.66"):
                assert tries(visitor(abroad, address), TOKEN) == (303, 200)
    assert len(naps) >= 2 * 300 - 2 * TRIES
    # somebody else's first slip is told at once
    held_back = len(naps)
    assert tries(visitor(abroad, "198.51.100.2"), "slip") == (401, 401)
    assert len(naps) == held_back
    abroad.now_s += TRIES_s
    assert tries(stranger, "wrong") == (401, 401)


def test_what_a_slowed_one_is_told(abroad: Served, naps: list[float]) -> None:
    for _ in range(TRIES):
        assert abroad.client.post("/login", data={"token": "wrong"}).status_code == 401
    assert naps == []
    answer = abroad.client.post("/login", data={"token": "wrong"})
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= TRIES_s + 1
    assert naps == [page_views.SLOW_s]


async def test_those_who_are_slowed_down_take_few_places() -> None:
    guard = Guard(HASHED, lambda: 0.0)
    async with guard.slow_lane(1) as first:
        async with guard.slow_lane(1) as second:
            assert (first, second) == (True, False)
        async with guard.slow_lane(1) as third:
            assert not third
    async with guard.slow_lane(1) as again:
        assert again


def test_addresses_are_forgotten_in_the_end() -> None:
    guard = Guard(HASHED, lambda: 0.0)
    for number in range(3 * page_guard.MOST_ADDRESSES):
        guard.is_token("wrong", f"who {number}")
    assert len(guard._failed) == page_guard.MOST_ADDRESSES
    for number in range(TRIES + 1):
        # of one network everybody has as many addresses as he likes
        guard.is_token("wrong", f"2001:db8::{number:x}:1")
    assert guard.wait_s("2001:db8::ffff") > 0.0
    assert guard.wait_s("2001:db8:0:1::1") == 0.0


def test_a_body_that_is_too_long_is_refused(at_home: Served) -> None:
    assert at_home.client.post("/login", data={"token": "x" * 20_000}).status_code == 413


def test_an_address_that_others_reach_needs_a_token(tmp_path: Path) -> None:
    path = journal_with_a_leak_alarm(tmp_path)
    with pytest.raises(PlainError, match="token_sha256"):
        page(settings_files=None, journals=[path], host="0.0.0.0", port=0, make_token=False)  # noqa: S104  it is refused


def test_a_token_in_settings_that_can_not_be_used_is_no_page_without_one(tmp_path: Path) -> None:
    for name, text in (("a", f'[page]\ntoken_sha256 = "{HASHED}"\n[soak]\ngas = "steam"\n'), ("b", "")):
        (tmp_path / f"{name}.toml").write_text(f'[rig]\nname = "{name}"\n{text}')
    both = [tmp_path / "a.toml", tmp_path / "b.toml"]
    with pytest.raises(PlainError, match=r"soak\.gas"):
        page(settings_files=both, journals=None, make_token=False)
    # the other rig's token is as good
    both[1].write_text(f'[rig]\nname = "b"\n[page]\ntoken_sha256 = "{HASHED}"\n')
    watched, own = page_command._watched(both, [])
    assert own.token_sha256 == HASHED
    assert [one.refused is None for one in watched] == [False, True]
    server = make_server(Rigs(watched), own.token_sha256, only_loopback=True)
    assert server.config.app is not None
    assert list(tmp_path.glob("*sessions*")) == []


def test_the_settings_keep_the_hash_out_of_the_journal() -> None:
    read = settings_from_text(f'[rig]\nname = "a"\n[page]\ntoken_sha256 = "{HASHED}"\n')
    assert read.page is not None
    assert read.page.token_sha256 == HASHED
    assert HASHED not in read.text
    with pytest.raises(PlainError, match="64 hex digits"):
        settings_from_text('[page]\ntoken_sha256 = "secret"\n')


CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
NO_ROUTE = {
    "GET /": {200},
    "GET /login": {200},
    "GET /api/rigs": {200},
}  # nothing to send there that could be wrong


def operations_of(described: dict[str, object]) -> dict[str, SearchStrategy[schemathesis.Case]]:
    """Requests to each documented address, as they are described and as they are not."""
    out: dict[str, SearchStrategy[schemathesis.Case]] = {}
    for found in schemathesis.openapi.from_dict(described).get_all_operations():
        operation = found.ok()
        out[operation.label] = operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
        if operation.label not in NO_ROUTE:
            out[operation.label] |= operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)
    return out


def fuzz(served: Served, examples: int, *, token: str | None) -> dict[str, set[int]]:
    """Send so many requests to each documented address; return the answers' codes."""
    headers = {"host": "127.0.0.1"}
    described = served.client.get("/openapi.json", headers=headers | {"authorization": f"Bearer {TOKEN}"})
    headers |= {} if token is None else {"authorization": f"Bearer {token}"}
    right = {
        "token": TOKEN,
        "secret": served.guard.form_secret(None),
        "alarm": read_alarms(served.path)[0][0],
    }
    codes: dict[str, set[int]] = {}
    for label, requests in operations_of(described.json()).items():
        seen: set[int] = set()
        key = strategies.sampled_from([RIG, RIG, "gone", None])

        @given(case=requests, key=key, known=strategies.booleans())
        @settings(
            max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), database=None
        )
        def request(case: schemathesis.Case, key: str | None, known: bool) -> None:
            served.now_s += TRIES_s  # or soon no answer would be another than "too many tries"
            if key is not None and "key" in case.path_parameters:
                case.path_parameters["key"] = key
            if known and isinstance(case.body, dict):
                case.body |= {field: value for field, value in right.items() if field in case.body}
            words = case.as_transport_kwargs(base_url="http://127.0.0.1")
            sent = {k: v for k, v in words.items() if k in {"method", "url", "params", "data", "json"}}
            answer = served.client.request(**sent, headers=headers)
            served.client.cookies.clear()
            seen.add(answer.status_code)  # noqa: B023  it runs before the next label
            if answer.status_code == 503:
                assert key == "gone"
            else:
                case.validate_response(answer, checks=CHECKS)

        request()
        codes[label] = seen
    return codes


EXAMPLES = pytest.mark.parametrize("examples", [10, pytest.param(300, marks=pytest.mark.long)])


@EXAMPLES
def test_no_request_breaks_the_documented_addresses(at_home: Served, examples: int) -> None:
    codes = fuzz(at_home, examples, token=None)
    assert len(codes) == 13
    assert 200 in codes["GET /api/rigs/{key}/course.csv"]


@EXAMPLES
def test_nor_with_a_token_and_without_it_nothing_is_answered(abroad: Served, examples: int) -> None:
    assert 200 in fuzz(abroad, examples, token=TOKEN)["GET /rigs/{key}/plots"]
    written = abroad.acknowledgements()
    for label, found in fuzz(abroad, max(examples // 4, 3), token=None).items():
        if not label.endswith(" /login"):
            assert found <= {303, 401, 405, 411, 413}, label
    assert abroad.acknowledgements() == written


def test_a_long_journal_is_read_in_turns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = journal_with_a_leak_alarm(tmp_path)
    with Look(path, None) as look:
        whole = look.state()
    monkeypatch.setattr(page_rigs, "BUDGET_s", 0.0)
    rigs = Rigs((Watched(RIG, path, None),))
    turns = 0
    while RIG not in rigs.states:
        rigs.look(RIG)
        turns += 1
        assert turns < 100
    # half an hour of the soak at a time
    assert turns > 8
    state = rigs.states[RIG]
    assert (state.findings, state.gas_left, state.decisions) == (
        whole.findings,
        whole.gas_left,
        whole.decisions,
    )
    rigs.close()


async def test_the_pause_between_looks_never_makes_the_page_stale(monkeypatch: pytest.MonkeyPatch) -> None:
    pauses: list[float] = []

    async def pause(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 3:
            raise EOFError

    rigs = Rigs((Watched("a", Path("a.journal"), None),))
    # begun, and done after 0.01 s, 0.5 s and a minute
    times = iter([0.0, 0.01, 10.0, 10.5, 100.0, 160.0])
    monkeypatch.setattr(page_rigs.asyncio, "sleep", pause)
    monkeypatch.setattr(page_rigs, "time", SimpleNamespace(monotonic=lambda: next(times)))
    monkeypatch.setattr(rigs, "look", lambda _key: None)
    with pytest.raises(EOFError):
        await rigs.run()
    assert pauses == pytest.approx([1.0, 2.0, 5.0])
    rigs.close()


def test_the_page_says_when_its_own_look_is_old(at_home: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "STALE" not in at_home.client.get(f"/rigs/{RIG}").text
    at_home.rigs.looked_s[RIG] = time.monotonic() - 60.0
    assert "STALE" in at_home.client.get(f"/rigs/{RIG}").text
    assert at_home.client.get(f"/api/rigs/{RIG}").json()["stale"] is True
    monkeypatch.undo()
