"""The port and the search for the rig, on real pseudo-terminals and a real socket."""

from __future__ import annotations

import errno
import os
import queue
import socket
import termios
import threading
import time
from typing import TYPE_CHECKING

import pytest
import serial
from pty_rig import Faults, PtyRig
from rig_model import RingRig

from logger.detect import Answer, DetectError, ask, ask_all, candidates, choose, find_rig
from logger.framing import LineSplitter
from logger.port import Port, PortBusyError, PortError, PortReader, as_port_error
from logger.protocol import Identify, Identity, LineFault, Sample, decode_rig, encode

if TYPE_CHECKING:
    from pathlib import Path


class Heard:
    """What a reader thread hands on."""

    def __init__(self, port: Port) -> None:
        self.data: queue.Queue[bytes] = queue.Queue()
        self.end: queue.Queue[BaseException | None] = queue.Queue()
        self.splitter = LineSplitter()
        self.reader = PortReader(port, self.data.put, self.end.put)
        self.reader.start()

    def lines(self, count: int) -> list[bytes]:
        lines: list[bytes] = []
        while len(lines) < count:
            lines += self.splitter.feed(self.data.get(timeout=120.0))
        return lines


@pytest.mark.parametrize("faults", [Faults(), Faults(one_byte_at_a_time=True)], ids=["clean", "bytewise"])
def test_lines_come_through_and_commands_go_back(tmp_path: Path, faults: Faults) -> None:
    with PtyRig(tmp_path, faults=faults) as rig:
        port = Port(str(rig.path))
        heard = Heard(port)
        port.write(encode(Identify()))
        # Opening flushes what has arrived, and on a pty not in one go: up to two lines may be cut, later ones not.
        records, cut = [], 0
        while len(records) < 20 or not any(isinstance(record, Identity) for record in records):
            assert len(records) < 500, "asked who it is, the rig didn't say"
            for line in heard.lines(1):
                try:
                    records.append(decode_rig(line))
                except LineFault:
                    cut += 1
        assert cut <= 2
        assert any(isinstance(record, Sample) for record in records)
        heard.reader.stop()
        assert heard.end.get(timeout=120.0) is None
        heard.reader.join(5.0)
        assert not heard.reader.is_alive()


def test_an_unplugged_port_ends_the_reader_with_our_own_error(tmp_path: Path) -> None:
    with PtyRig(tmp_path) as rig:
        port = Port(str(rig.path))
        heard = Heard(port)
        heard.lines(2)
        rig.vanish()
        end = heard.end.get(timeout=120.0)
        assert isinstance(end, PortError)
        assert "unplugged" in str(end)
        with pytest.raises(PortError):
            port.write(b"?")
        port.close()
        port.cancel()


def test_a_second_opening_is_refused(tmp_path: Path) -> None:
    with PtyRig(tmp_path) as rig:
        first = Port(str(rig.path))
        with pytest.raises(PortBusyError, match="another program is using it"):
            Port(str(rig.path))
        first.close()
        Port(str(rig.path)).close()


def test_a_port_that_does_not_exist_or_is_none_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="there is no such port"):
        Port(str(tmp_path / "nothing"))
    plain = tmp_path / "file"
    plain.write_text("")
    with pytest.raises(PortError) as caught:
        Port(str(plain))
    assert "\n" not in str(caught.value)
    with pytest.raises(PortError, match="not supported"):
        Port("ftp://127.0.0.1:1")
    with pytest.raises(PortError):
        Port("socket://127.0.0.1")


def test_the_three_families_of_an_unplug_become_one() -> None:
    families = [
        serial.SerialException("read failed: [Errno 5]"),
        OSError(errno.EIO, os.strerror(errno.EIO)),
        termios.error(errno.EIO, os.strerror(errno.EIO)),
    ]
    for family in families:
        error = as_port_error("p", family)
        assert type(error) is PortError
        assert str(error).startswith("port p: ")
    assert "took no bytes" in str(as_port_error("p", serial.SerialTimeoutException("Write timeout")))


def test_a_socket_does_as_well_and_its_end_is_noticed() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = Port(f"socket://127.0.0.1:{server.getsockname()[1]}")
        heard = Heard(port)
        peer, _ = server.accept()
        with peer:
            sample = Sample(1, 2, 3, (4,))
            peer.sendall(encode(sample))
            assert [decode_rig(line) for line in heard.lines(1)] == [sample]
            port.write(encode(Identify()))
            assert peer.recv(100) == encode(Identify())
        end = heard.end.get(timeout=120.0)
        assert isinstance(end, PortError)
        heard.reader.join(5.0)


def test_a_socket_that_nobody_serves_is_one_clear_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(PortError) as caught:
        Port(f"socket://127.0.0.1:{number}")
    assert "\n" not in str(caught.value)


def test_a_rig_that_takes_no_bytes_is_an_error_not_a_hang() -> None:
    master, slave = os.openpty()
    try:
        port = Port(os.ttyname(slave))
        with pytest.raises(PortError, match="took no bytes"):
            port.write(b"x" * 1_000_000)
        port.close()
    finally:
        os.close(master)
        os.close(slave)


def test_an_error_in_what_follows_the_reader_is_handed_on_too(tmp_path: Path) -> None:
    ends: queue.Queue[BaseException | None] = queue.Queue()

    def broken(_: bytes) -> None:
        raise ZeroDivisionError

    with PtyRig(tmp_path) as rig:
        PortReader(Port(str(rig.path)), broken, ends.put).start()
        assert isinstance(ends.get(timeout=120.0), ZeroDivisionError)
        Port(str(rig.path)).close()  # the port was given back


def test_the_rig_is_found_among_the_candidates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with (
        PtyRig(tmp_path / "a", rig=RingRig(name="bay-1")) as first,
        PtyRig(tmp_path / "b", rig=RingRig(name="bay-2")) as second,
    ):
        monkeypatch.setenv("CORNERHOLD_PORTS", f"{first.path}:{second.path}:{tmp_path / 'none'}")
        monkeypatch.setattr("logger.detect.list_ports.comports", list)
        assert candidates() == [str(first.path), str(second.path), str(tmp_path / "none")]
        found = find_rig("bay-2")
        assert found.port == str(second.path)
        assert found.identity is not None
        assert found.identity.rig == "bay-2"
        with pytest.raises(DetectError, match="2 rigs answer"):
            find_rig("bay-3")


def test_a_silent_port_and_a_busy_one_are_no_rigs(tmp_path: Path) -> None:
    with PtyRig(tmp_path, faults=Faults(silent=True)) as rig:
        assert ask(str(rig.path), answer_s=0.2) == Answer(str(rig.path), None, "no rig answers")
        held = Port(str(rig.path))
        [answer] = ask_all([str(rig.path)], answer_s=0.2)
        assert answer.identity is None
        assert "another program" in answer.reason
        held.close()


def test_once_the_rig_that_is_meant_has_answered_nobody_waits_for_the_others(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with (
        PtyRig(tmp_path / "a", rig=RingRig(name="bay-1")) as rig,
        PtyRig(tmp_path / "b", faults=Faults(silent=True)) as silent,
    ):
        begin_s = time.monotonic()
        answers = ask_all([str(silent.path), str(rig.path)], answer_s=60.0, name="bay-1")
        assert time.monotonic() - begin_s < 30.0
        assert choose(answers, "bay-1").port == str(rig.path)


def test_a_rig_that_wakes_slowly_is_asked_again(tmp_path: Path) -> None:
    with PtyRig(tmp_path, faults=Faults(silent=True)) as rig:
        waker = threading.Timer(0.3, lambda: setattr(rig.faults, "silent", False))
        waker.start()
        assert ask(str(rig.path)).identity is not None
        waker.join()


def test_choosing() -> None:
    rig = Identity(1, "bay-1", "x", 1000, 1, 0, -1, ("a.pressure",))
    quiet = Answer("p0", None, "no rig answers")
    assert choose([quiet, Answer("p1", rig)], "another name").port == "p1"
    with pytest.raises(DetectError, match=r"no rig found .*p0: no rig answers"):
        choose([quiet], "bay-1")
    with pytest.raises(DetectError, match="there is no serial port"):
        choose([], "bay-1")
    with pytest.raises(DetectError, match="several are called 'bay-1'"):
        choose([Answer("p1", rig), Answer("p2", rig)], "bay-1")
    assert ask_all([]) == []
