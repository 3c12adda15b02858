"""Brokers for the tests of this folder; each test process has its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from broker import Broker
from letter_box import Mailbox

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A plain broker with passwords and ACL."""
    running = Broker(tmp_path / "broker").start()
    yield running
    running.kill()


@pytest.fixture
def tls_broker(tmp_path: Path) -> Iterator[Broker]:
    """The same with TLS and an authority of its own."""
    running = Broker(tmp_path / "tls-broker", tls=True).start()
    yield running
    running.kill()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    opened = Mailbox()
    yield opened
    opened.server.shutdown()
    opened.server.server_close()
    opened.thread.join()
