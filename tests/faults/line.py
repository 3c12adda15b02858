"""The line and the rig at its end: plugs, reboots, a clock that wraps, and lines that were hit on the way."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING

from logger_process import wait_for
from scipy import stats

from logger.protocol import Identity, LineFault, Reason, RigEvent, Sample, decode_rig, encode
from tests.faults.bench import Bench, Row, heard_more, rig_at, settle
from tests.faults.truth import Ledger, Tally, gaps_told, judge

if TYPE_CHECKING:
    import random

    from pty_rig import PtyRig

    from logger.protocol import RigRecord

NAMES = 3


def unplugged(bench: Bench) -> Row:
    """The plug is pulled: between lines or in the middle of one, and put back, perhaps under another name."""
    names = [bench.folder / f"port-{n}" for n in range(NAMES)]
    settings = bench.folder / "bay.toml"
    settings.write_text('[rig]\nname = "bench"\n')
    kinds = {"mid-line": 0, "another name": 0}
    with rig_at(bench) as port:
        assert isinstance(port.rig, Ledger)
        _plug_in(port, names[0])
        process = bench.logger(
            "auto", "--settings", str(settings), environment=":".join(str(name) for name in names)
        )
        heard_more(port, 5)
        for n in range(bench.times):
            heard_more(port, bench.rng.randrange(1, 30))
            mid_line = n % 2 == 1
            _pull(port, mid_line=mid_line, rng=bench.rng)
            kinds["mid-line"] += mid_line
            bench.moment(0.0, 0.2)
            name = names[0] if n % 3 == 0 else bench.rng.choice(names)
            kinds["another name"] += name != port.path
            _plug_in(port, name)
            bench.progress()
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, port.rig)
    assert gaps_told(bench.journal) == 0, "the rig had everything"
    note = ", ".join(f"{count} {kind}" for kind, count in kinds.items())
    return bench.row("port: unplugged and back", tally, note)


def _pull(port: PtyRig, *, mid_line: bool, rng: random.Random) -> None:
    with port.lock:
        if mid_line and port._master is not None:
            line = encode(port.rig.take())
            with contextlib.suppress(BlockingIOError):  # nobody reads just now
                os.write(port._master, port._pending + line[: rng.randrange(1, len(line))])
        port.vanish()


def _plug_in(port: PtyRig, name: object) -> None:
    with port.lock:
        port.vanish()
        port.path = type(port.path)(str(name))
        port.come_back()


def rebooted(bench: Bench) -> Row:
    """The rig loses its memory and counts from zero; what it had been told is safe must be there."""
    with rig_at(bench) as port:
        assert isinstance(port.rig, Ledger)
        process = bench.logger(port.path)
        heard_more(port, 5)
        for n in range(bench.times):
            heard_more(port, bench.rng.randrange(1, 40))
            with port.lock:
                port.rig.reboot(boot=n + 2)
            wait_for(lambda: port.acknowledged >= 0, "samples of the next boot")
            bench.progress()
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, port.rig)
        assert len(port.rig.safe) == bench.times + 1
    return bench.row("rig: rebooted", tally)


def wrapped(bench: Bench) -> Row:
    """The rig's 32-bit uptime goes over its end, half of the times while the daemon is dead."""
    with rig_at(bench, Ledger(depth=1_000_000, first_uptime_ms=2**32 - 500)) as port:
        assert isinstance(port.rig, Ledger)
        process = bench.logger(port.path)
        for n in range(bench.times):
            heard_more(port, 10)
            if n % 2:
                process.kill()
                process.wait()
            wait_for(lambda: port.rig.next_seq > 60, "the uptime wraps")
            if n % 2:
                process = bench.logger(port.path)
            heard_more(port, 40)
            if n < bench.times - 1:
                # what it took is safe before it goes down, so that each wrap is held against the whole
                settle(port)
                with port.lock:
                    port.rig.reboot(boot=n + 2)
                    port.measuring = True
                wait_for(lambda: port.acknowledged >= 0, "samples of the next boot")
            bench.progress()
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, port.rig)
    return bench.row("rig: uptime wraps", tally)


# -- lines that were hit -------------------------------------------------------------------------------------

CHANNELS = ("front_left.pressure", "front_left.height", "ambient.temperature", "rig.supply_voltage")
LETTERS = b"0123456789ABCDEF,*+-|.IDEe \r"


def mutated(bench: Bench) -> Row:
    """Lines with wrong bytes at the decoder. Wrong is what is taken for a record that was not sent.

    A line that was hit passes a 16-bit check by chance once in 65,536. So of those that still have a check to look at, as
    many may pass as a Poisson number of that mean will reach in 9,999 of 10,000 runs. Bursts of up to 16 bits can't
    pass at all (a property of any CRC of that length).
    """
    rng = bench.rng
    checked = wrong = short_bursts = wrong_after_burst = 0
    for n in range(bench.times):
        record = _some_record(rng)
        line = encode(record)[:-1]
        burst = n % 8 == 0
        sent = [record]
        hit = _burst(line, rng) if burst else _hit(line, rng, sent)
        short_bursts += burst
        try:
            heard = decode_rig(hit)
        except LineFault as fault:
            checked += fault.reason is Reason.CRC
            continue
        finally:
            if n % 1000 == 0:
                bench.progress()
        if heard not in sent:
            wrong += 1
            checked += 1
            wrong_after_burst += burst
    by_chance = checked / 65_536
    allowed = int(stats.poisson.ppf(0.9999, by_chance))
    assert wrong <= allowed, (
        f"{wrong} wrong records of {checked} checked lines: {by_chance:.1f} would be chance"
    )
    assert wrong_after_burst == 0, f"{wrong_after_burst} bursts of up to 16 bits passed"
    assert checked > bench.times // 4, "most mutants never reached the check"
    tally = Tally(bench.times, wrong=max(0, wrong - allowed))
    return bench.row(
        "decoder: lines with wrong bytes",
        tally,
        f"{checked:,} reached the check, {by_chance:.1f} would pass by chance, {wrong} did; of {short_bursts:,} "
        f"bursts up to 16 bits {wrong_after_burst}",
    )


def _some_record(rng: random.Random) -> RigRecord:
    kind = rng.random()
    if kind < 0.9:
        values = tuple(
            rng.choice((None, "+", "-")) if rng.random() < 0.05 else rng.randrange(-32_768, 32_768)
            for _ in CHANNELS
        )
        return Sample(rng.randrange(2**16), rng.randrange(2**20), rng.randrange(2**32), values)
    if kind < 0.95:
        first = rng.randrange(1000)
        return Identity(1, "bay-2", "1.4", 1000, rng.randrange(2**16), first, first + 50, CHANNELS)
    return RigEvent(rng.randrange(2**16), rng.randrange(2**32), "brownout", "3.9 V")


def _burst(line: bytes, rng: random.Random) -> bytes:
    """Bits flipped within 16 neighbouring ones."""
    bits = 8 * len(line)
    width = rng.randrange(1, 17)
    start = rng.randrange(bits - width + 1)
    pattern = 1 | rng.getrandbits(width) | (1 << (width - 1))
    number = int.from_bytes(line, "big") ^ (pattern << (bits - width - start))
    return number.to_bytes(len(line), "big")


def _hit(line: bytes, rng: random.Random, sent: list[RigRecord]) -> bytes:
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = rng.randrange(len(line)) if line else 0
        match rng.randrange(6):
            case 0 | 1:  # a byte is another, most often one that belongs there
                byte = bytes([rng.choice(LETTERS)]) if rng.random() < 0.8 else rng.randbytes(1)
                line = line[:at] + byte + line[at + 1 :]
            case 2:
                line = line[:at] + line[at + 1 :]
            case 3:
                line = line[:at] + bytes([rng.choice(LETTERS)]) + line[at:]
            case 4:  # bytes were lost in the middle: the end of another line, or all of it if it begins alike
                sent.append(_some_record(rng))
                line = line[:at] + encode(sent[-1])[:-1][at:]
            case _:  # two neighbours changed places
                line = line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]
    return line
