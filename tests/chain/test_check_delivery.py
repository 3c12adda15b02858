"""`check-delivery`, and letters that really leave: a broker with an ACL, a web server in place of a push service."""

from __future__ import annotations

import json
import logging
from typing import TYPE_CHECKING

import pytest
from broker import USERS, Broker
from letter_box import Mailbox
from logger_process import wait_for
from typer.testing import CliRunner

from analysis import check_command
from analysis.alarm_store import AlarmStore
from analysis.commands import build_app
from analysis.notify import Addresses, Postman

if TYPE_CHECKING:
    from pathlib import Path


def check(tmp_path: Path, text: str) -> tuple[int, dict[str, tuple[bool, str]]]:
    settings = tmp_path / "bay-2.toml"
    settings.write_text(f'[rig]\nname = "bay-2"\n{text}')
    done = CliRunner().invoke(
        build_app(["check-delivery"]), ["check-delivery", "-s", str(settings), "--json"]
    )
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert "hunter2" not in done.output
    assert not any(password in done.output for password in USERS.values())
    said = [json.loads(line) for line in done.output.splitlines()]
    return done.exit_code, {one["what"]: (one["works"], one["sentence"]) for one in said}


def test_everything_gets_through(tmp_path: Path, tls_broker: Broker, mailbox: Mailbox) -> None:
    notify = f'[notify]\nurls = ["{mailbox.url}"]\n'
    code, said = check(tmp_path, tls_broker.settings() + notify)
    assert code == 0, said
    topics = {f"shop/bay-2/{below}" for below in check_command.TOPICS}
    assert set(said) == {"broker", "address 1 (JSON)"} | topics
    assert all(works for works, _ in said.values())
    assert mailbox.titles() == ["bay-2: a test"]
    assert tls_broker.retained("shop/#") == {}, "nothing is left behind"


def test_a_refused_topic_is_named(tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_command, "PATIENCE_s", 0.3)
    code, said = check(tmp_path, broker.settings(user="guest", password=USERS["guest"]))
    assert code == 1
    assert said.pop("broker")[0]
    assert set(said) == {f"shop/bay-2/{below}" for below in check_command.TOPICS}
    for works, sentence in said.values():
        assert not works
        assert "(ACL)" in sentence


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"password": "wrong"}, "user or password is wrong"),
        ({"host": "nowhere.invalid"}, "no such host"),
    ],
)
def test_a_broker_that_refuses_is_one_line(
    tmp_path: Path, broker: Broker, changes: dict[str, str], words: str
) -> None:
    code, said = check(tmp_path, broker.settings(**changes))
    assert code == 1
    assert list(said) == ["broker"]
    assert words in said["broker"][1]


def test_an_address_that_takes_nothing_is_told(tmp_path: Path, mailbox: Mailbox) -> None:
    mailbox.code = 500
    code, said = check(tmp_path, f'[notify]\nurls = ["{mailbox.url}"]\n')
    assert code == 1
    assert said == {"address 1 (JSON)": (False, "did not take the test letter")}


def test_nobody_to_tell_is_a_failure(tmp_path: Path) -> None:
    with pytest.raises(check_command.PlainError, match="nobody would get word"):
        check(tmp_path, "")
    assert check(tmp_path, "[notify]\n")[0] == 1


async def test_a_letter_waits_for_its_address_and_is_sent_once_to_each(
    tmp_path: Path, mailbox: Mailbox
) -> None:
    import asyncio  # noqa: PLC0415  only here

    other = Mailbox()
    other.code = 503
    with AlarmStore.open(tmp_path / "bay.journal", rig="bay-2") as store:
        store.write_letter("bay-2: leak front_left", "front_left leaks.")
        postman = Postman(Addresses([mailbox.url, other.url]), store, first_wait_s=0.05)
        task = asyncio.create_task(postman.run())
        await asyncio.to_thread(wait_for, lambda: bool(postman._failing), "a failure")
        assert len(store.letters()) == 1
        other.code = 200
        await asyncio.to_thread(wait_for, lambda: not store.letters(), "the letter")
        store.write_letter("another", "x")
        postman.post()
        await asyncio.to_thread(wait_for, lambda: not store.letters(), "the next one")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert mailbox.titles() == other.titles() == ["bay-2: leak front_left", "another"]
    other.server.shutdown()
    other.server.server_close()


async def test_no_log_shows_an_address_however_much_is_told(
    mailbox: Mailbox, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    addresses = Addresses([mailbox.url])
    assert await addresses.send(0, "a title", "a body")
    mailbox.code = 500
    assert not await addresses.send(0, "a title", "a body")
    assert "hunter2" not in caplog.text + addresses.name(0)
