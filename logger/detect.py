"""Finding the rig: ask every serial port who is there."""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from serial.tools import list_ports

from logger.errors import PlainError
from logger.framing import LineSplitter
from logger.port import DEFAULT_BAUD, Port, PortError
from logger.protocol import Identify, Identity, LineFault, decode_rig, encode

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

PORTS_VARIABLE: Final = "CORNERHOLD_PORTS"
"""More candidates, separated by colons: ports that the system doesn't list, such as pseudo-terminals."""
ANSWER_S: Final = 3.0
"""Many boards restart when their port is opened, and need a second or two before they answer."""
ASK_AGAIN_S: Final = 0.75
_LOOK_UP_S: Final = 0.1


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of asking one port: an identity, or a reason why there is none."""

    port: str
    identity: Identity | None
    reason: str = ""


class DetectError(PlainError):
    """No rig was found, or more than one that could be meant."""


def candidates(environment: Mapping[str, str] = os.environ) -> list[str]:
    """The ports to ask: those the system knows, then those named in $CORNERHOLD_PORTS."""
    listed = sorted(info.device for info in list_ports.comports())
    named = [port for port in environment.get(PORTS_VARIABLE, "").split(":") if port]
    return list(dict.fromkeys([*listed, *named]))


def ask(
    name: str, baud: int = DEFAULT_BAUD, answer_s: float = ANSWER_S, enough: threading.Event | None = None
) -> Answer:
    """Open one port and ask who is there, until `enough`; never raises for a port that is no rig."""
    try:
        port = Port(name, baud)
    except PortError as error:
        return Answer(name, None, error.reason)
    try:
        identity = _converse(port, answer_s, enough or threading.Event())
    except PortError as error:
        return Answer(name, None, error.reason)
    finally:
        port.close()
    return Answer(name, identity, "" if identity else "no rig answers")


def _converse(port: Port, answer_s: float, enough: threading.Event) -> Identity | None:
    splitter = LineSplitter()
    begin_s = time.monotonic()
    ask_s = begin_s
    while (now_s := time.monotonic()) < begin_s + answer_s and not enough.is_set():
        if now_s >= ask_s:
            port.write(encode(Identify()))
            ask_s = now_s + ASK_AGAIN_S
        wait_s = min(ask_s, begin_s + answer_s) - time.monotonic()
        for line in splitter.feed(port.read(min(max(0.0, wait_s), _LOOK_UP_S))):
            try:
                record = decode_rig(line)
            except LineFault:
                continue
            if isinstance(record, Identity):
                return record
    return None


def ask_all(
    ports: Sequence[str], baud: int = DEFAULT_BAUD, answer_s: float = ANSWER_S, name: str | None = None
) -> list[Answer]:
    """Ask all ports at the same time; once a rig called `name` has answered, the others are let go."""
    if not ports:
        return []
    enough = threading.Event()

    def ask_one(port: str) -> Answer:
        answer = ask(port, baud, answer_s, enough)
        if answer.identity is not None and answer.identity.rig == name:
            enough.set()
        return answer

    with ThreadPoolExecutor(max_workers=min(32, len(ports)), thread_name_prefix="ask") as pool:
        return list(pool.map(ask_one, ports))


def choose(answers: Sequence[Answer], name: str) -> Answer:
    """The rig that is meant: the only one that answered, or among several the one called `name`."""
    rigs = [answer for answer in answers if answer.identity is not None]
    if len(rigs) == 1:
        return rigs[0]
    if not rigs:
        tried = "; ".join(f"{answer.port}: {answer.reason}" for answer in answers)
        raise DetectError(f"no rig found ({tried})" if tried else "no rig found: there is no serial port")
    called = [answer for answer in rigs if answer.identity is not None and answer.identity.rig == name]
    if len(called) == 1:
        return called[0]
    found = ", ".join(f"{a.identity.rig} at {a.port}" for a in rigs if a.identity is not None)
    which = f"none of them is called {name!r}" if not called else f"several are called {name!r}"
    raise DetectError(f"{len(rigs)} rigs answer ({found}) and {which}: name the port in the settings")


def find_rig(name: str, baud: int = DEFAULT_BAUD, answer_s: float = ANSWER_S) -> Answer:
    """Ask every candidate; `DetectError` unless one rig is meant."""
    return choose(ask_all(candidates(), baud, answer_s, name), name)
