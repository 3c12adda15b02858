"""Rigs in simulated time, each broken in one way, and the link by which wire-check talks to them.

The sound one is the virtual rig's wire (held against firmware_notes/vectors.json). Each broken one tells in `FAULTS`
which points of wire-check have to find it, and in `SAYS` what the evidence has to say of it.
"""

from __future__ import annotations

import random
from binascii import crc_hqx
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from logger.framing import LineSplitter
from logger.protocol import (
    Acknowledge,
    Identity,
    LineFault,
    Resend,
    Sample,
    SetPeriod,
    Value,
    decode_host,
    encode,
)
from logger.virtual.wire import RigWire

if TYPE_CHECKING:
    from collections.abc import Callable

CHANNELS = ("fl.pressure", "fr.pressure", "ambient.temperature", "rig.supply_voltage")
STEP_MS = 5


def with_crc(content: bytes) -> bytes:
    return content + b"*%04X\n" % crc_hqx(content, 0xFFFF)


class SoundRig(RigWire):
    """Obeys. Time in ms comes by `tick`."""

    FAULTS: ClassVar[set[str]] = set()
    SAYS = ""
    CHANNELS: ClassVar[tuple[str, ...]] = CHANNELS
    DEPTH = 150

    def __init__(self, period_ms: int = 200) -> None:
        super().__init__("bench", self.CHANNELS, period_ms, 1234567, depth=self.DEPTH)
        self.now_ms = 0
        self.due_ms = period_ms
        self.booted_ms = 0
        self.over = False
        self.chance = random.Random(5)
        self.splitter = LineSplitter()
        self.heard = 0

    def values(self, seq: int) -> tuple[Value, ...]:
        return (18000 + seq % 7, 17000 - seq % 5, None if seq % 3 else 300, 26666)

    def tick(self, now_ms: int) -> None:
        """Let time pass, take what is due."""
        self.now_ms = now_ms
        while now_ms >= self.due_ms:
            self.sample(self.due_ms)
            self.due_ms += self.period_ms

    def sample(self, at_ms: int) -> None:
        values = self.values(self.buffer.last_seq + 1)
        if self.over:
            values = ("+", *values[1:])
        self.take(values, at_ms - self.booted_ms - self.uptime_ms)

    def bytes_in(self, data: bytes) -> None:
        self.heard += len(data)
        for line in self.splitter.feed(data):
            self.hear(line)

    def hear(self, line: bytes) -> None:
        before = self.period_ms
        super().hear(line)
        if self.period_ms != before:
            self.due_ms = max(self.due_ms + self.period_ms - before, self.now_ms)

    def bytes_out(self) -> bytes:
        """The next line, as its bytes."""
        return self.next_line() or b""

    def restart(self) -> None:
        """Somebody presses the button."""
        self.reboot(self.boot + 1, "reset", "button")
        self.booted_ms = self.now_ms
        self.due_ms = self.now_ms + self.period_ms

    def drive_over(self) -> None:
        """Somebody drives the first input beyond its range."""
        self.over = True


class SlowRig(SoundRig):
    """Obeys, and keeps its period whatever it is asked for: it says so."""

    def hear(self, line: bytes) -> None:
        if isinstance(_command(line), SetPeriod):
            self._identify()
        else:
            super().hear(line)


class CrLf(SoundRig):
    """Obeys: a CR before the LF is ignored."""

    def bytes_out(self) -> bytes:
        return super().bytes_out().replace(b"\n", b"\r\n")


class AnswersOnce(SoundRig):
    """Obeys: several questions before the answer went out are answered once."""

    def _identify(self) -> None:
        self._urgent = deque(line for line in self._urgent if not line.startswith(b"I"))
        super()._identify()


class Talkative(SoundRig):
    """Obeys: events of its own, between samples."""

    def sample(self, at_ms: int) -> None:
        super().sample(at_ms)
        if self.buffer.last_seq % 9 == 0:
            self.event("self-test", "all is well")


class RigLink:
    """Carries bytes in simulated time, as fast as the line does."""

    def __init__(self, rig: SoundRig, baud: int = 115200) -> None:
        self.rig = rig
        self._step_bytes = round(baud / 10 / 1000 * STEP_MS)
        self._script: dict[int, Callable[[SoundRig], None]] = {}
        self._ms = 3000  # it has been on for a while
        self._to_rig = bytearray()
        self._from_rig = bytearray()
        rig.tick(self._ms)

    def after(self, ms: int, action: Callable[[SoundRig], None]) -> None:
        """Have something happen at the rig."""
        self._script[self._ms + ms] = action

    def send(self, data: bytes) -> None:
        self._to_rig += data

    def now_s(self) -> float:
        return self._ms / 1e3

    def reopen(self) -> bool:
        return True

    def pause(self, seconds: float) -> None:
        self._ms += round(seconds * 1e3)

    def read(self, timeout_s: float) -> bytes:
        end_ms = self._ms + max(1, round(timeout_s * 1e3))
        while self._ms < end_ms:
            self._ms += STEP_MS
            for at_ms in sorted(at_ms for at_ms in self._script if at_ms <= self._ms):
                self._script.pop(at_ms)(self.rig)
            data = self._step()
            if data:
                return data
        return b""

    def _step(self) -> bytes:
        size = self._step_bytes
        heard, self._to_rig[:size] = bytes(self._to_rig[:size]), b""
        if heard:
            self.rig.bytes_in(heard)
        self.rig.tick(self._ms)
        while len(self._from_rig) < size and (line := self.rig.bytes_out()):
            self._from_rig += line
        data, self._from_rig[:size] = bytes(self._from_rig[:size]), b""
        return data


# ---------------------------------------------------------------- lines


class OtherCrc(SoundRig):
    """CRC with initial value 0."""

    FAULTS: ClassVar = {"identity", "check"}
    SAYS = "with the initial value 0"

    def bytes_out(self) -> bytes:
        content = super().bytes_out()[:-6]
        return content + b"*%04X\n" % crc_hqx(content, 0) if content else b""


class NoisyLine(SoundRig):
    """One bit in a few hundred bytes flips."""

    FAULTS: ClassVar = {"check"}
    SAYS = "a bad cable"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        if line.startswith(b"D") and self.chance.random() < 0.02:
            return line[:5] + bytes([line[5] ^ 1]) + line[6:]
        return line


class Torn(SoundRig):
    """Two tasks write at once: an answer gets into the middle of a sample."""

    FAULTS: ClassVar = {"check"}
    SAYS = "have a wrong check or none"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        if line.startswith(b"I") and self.chance.random() < 0.3:
            sample = super().bytes_out()
            return sample[:9] + line + sample[9:]
        return line


class LowerCase(SoundRig):
    FAULTS: ClassVar = {"form"}
    SAYS = "in lower case"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        return line[:-5] + line[-5:].lower()


class NoLineEnd(SoundRig):
    """CR alone."""

    FAULTS: ClassVar = {"identity"}
    SAYS = "no line end"

    def bytes_out(self) -> bytes:
        return super().bytes_out().replace(b"\n", b"\r")


class Silent(SoundRig):
    FAULTS: ClassVar = {"identity"}
    SAYS = "not a byte came"

    def bytes_out(self) -> bytes:
        super().bytes_out()
        return b""


class PaddedNumbers(SoundRig):
    """Leading zeros in the uptime."""

    FAULTS: ClassVar = {"form"}
    SAYS = "not a decimal number"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        if not line.startswith(b"D"):
            return line
        fields = line[:-6].split(b",")
        fields[3] = b"%010d" % int(fields[3])
        return with_crc(b",".join(fields))


class Decimals(SoundRig):
    """Volts instead of counts."""

    FAULTS: ClassVar = {"form"}
    SAYS = "not a decimal number"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        return with_crc(line[:-6].replace(b",26666", b",4.9999")) if line.startswith(b"D") else line


class AnotherVersion(SoundRig):
    FAULTS: ClassVar = {"identity", "form"}
    SAYS = "version '2'"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        return with_crc(line[:-6].replace(b"I,1,", b"I,2,")) if line.startswith(b"I") else line


class ValueTooFew(SoundRig):
    FAULTS: ClassVar = {"values"}
    SAYS = "3 values for 4"

    def values(self, seq: int) -> tuple[Value, ...]:
        return super().values(seq)[:-1]


class WrongBoot(SoundRig):
    """The samples carry another boot number than the identity."""

    FAULTS: ClassVar = {"boot"}
    SAYS = "another boot than the identity's 1234567"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        return with_crc(line[:-6].replace(b"D,1234567,", b"D,7654321,")) if line.startswith(b"D") else line


class Rails(SoundRig):
    """The end of the converter's range as a count."""

    FAULTS: ClassVar = {"marks"}
    SAYS = "32767 is the end of a 16 bit converter: '+'"

    def values(self, seq: int) -> tuple[Value, ...]:
        return (32767, *super().values(seq)[1:])


# ---------------------------------------------------------------- identity


class LongNames(SoundRig):
    """Fits now; not once the sample numbers have grown."""

    FAULTS: ClassVar = {"room"}
    SAYS = "259 once the numbers have grown"
    CHANNELS: ClassVar = (
        *(f"{s}.pressure" for s in ("front_left", "front_right", "rear_left", "rear_right", "supply")),
        *(f"{s}.height" for s in ("front_left", "front_right", "rear_left", "rear_right")),
        "ambient.temperature",
        "ambient.pressure",
    )

    def values(self, seq: int) -> tuple[Value, ...]:
        return (*super().values(seq), *range(100, 107))


class FarTooLongNames(LongNames):
    """Doesn't fit at all: no host can read it."""

    FAULTS: ClassVar = {"identity", "form", "room"}
    SAYS = "shorter names are needed"

    def _identify(self) -> None:
        who = self.identity()
        names = "|".join((*self.CHANNELS, "rig.supply_voltage"))
        self._urgent.append(
            with_crc(
                f"I,1,{who.rig},{who.firmware},{who.period_ms},{who.boot},{who.first_seq},{who.last_seq},{names}".encode()
            )
        )


class DeafToQuestions(SoundRig):
    FAULTS: ClassVar = {"identity"}
    SAYS = "no answer to '?'"

    def _identify(self) -> None:
        return


class Chameleon(SoundRig):
    """Another rig name each time."""

    FAULTS: ClassVar = {"identity"}
    SAYS = "different things of itself"

    def _identify(self) -> None:
        self._rig = f"rig{self.heard % 7}"
        super()._identify()


class RangeLags(SoundRig):
    """Says that it holds one sample less than it has already sent."""

    FAULTS: ClassVar = {"range", "depth"}
    SAYS = "had sent"

    def identity(self) -> Identity:
        who = super().identity()
        return replace(who, last_seq=max(who.last_seq - 2, who.first_seq - 1))


# ---------------------------------------------------------------- order


class Skips(SoundRig):
    """Loses a sample now and then, unsaid."""

    FAULTS: ClassVar = {"gaps", "resume"}
    SAYS = "from 12 to 14"

    def next_line(self) -> bytes | None:
        line = super().next_line()
        if line is not None and line.startswith(b"D") and int(line.split(b",")[2]) % 40 == 13:
            return super().next_line()
        return line


class Repeats(SoundRig):
    """Sends every tenth sample twice, unasked."""

    FAULTS: ClassVar = {"order"}
    SAYS = "3 came twice without being asked"
    twice: bytes | None = None

    def next_line(self) -> bytes | None:
        if self.twice is not None:
            line, self.twice = self.twice, None
            return line
        line = super().next_line()
        if line is not None and line.startswith(b"D") and int(line.split(b",")[2]) % 10 == 3:
            self.twice = line
        return line


class Swaps(SoundRig):
    """Sends some samples before the one that was taken first."""

    FAULTS: ClassVar = {"order", "gaps", "resume"}
    SAYS = "3 came after 4"
    held: bytes | None = None

    def next_line(self) -> bytes | None:
        line = super().next_line()
        if line is not None and line.startswith(b"D"):
            if int(line.split(b",")[2]) % 10 == 3 and self.held is None:
                self.held = line
                return super().next_line()
            if self.held is not None:
                # the one after it has gone out
                self._urgent.append(line)
                line, self.held = self.held, None
        return line


class OtherAgain(SoundRig):
    """Measures anew what it is asked to send again."""

    FAULTS: ClassVar = {"again"}
    SAYS = "with another content"

    def _resend(self, boot: int, seq: int) -> None:
        if boot == self.boot:
            held = self.buffer._held
            for n, sample in enumerate(held):
                if sample.seq >= seq:
                    held[n] = replace(sample, values=(1, *sample.values[1:]))
        super()._resend(boot, seq)


# ---------------------------------------------------------------- time


class Jitters(SoundRig):
    FAULTS: ClassVar = {"timing"}
    SAYS = "too uneven"

    def sample(self, at_ms: int) -> None:
        super().sample(at_ms + self.chance.randrange(self.period_ms // 2))


class Drifts(SoundRig):
    """Sleeps a period after each sample; measuring takes 6 ms."""

    FAULTS: ClassVar = {"timing"}
    SAYS = "it drifts by +3.00 %"

    def sample(self, at_ms: int) -> None:
        super().sample(at_ms)
        self.due_ms += 6


class OtherPeriod(SoundRig):
    """Says 200 ms and takes 250."""

    FAULTS: ClassVar = {"timing", "period"}
    SAYS = "250.00 ms apart for a period of 200 ms"

    def sample(self, at_ms: int) -> None:
        super().sample(at_ms)
        self.due_ms += self.period_ms // 4


class Ticks(SoundRig):
    """Counts 1/1024 s and calls them milliseconds, and the period with them."""

    FAULTS: ClassVar = {"clock"}
    SAYS = "+2.4 %"

    def tick(self, now_ms: int) -> None:
        super().tick(round(now_ms * 1.024))


class CoarseUptime(SoundRig):
    """Its clock counts seconds."""

    FAULTS: ClassVar = {"timing", "period"}
    SAYS = "the uptime stands"

    def bytes_out(self) -> bytes:
        line = super().bytes_out()
        if not line.startswith(b"D"):
            return line
        fields = line[:-6].split(b",")
        fields[3] = b"%d" % (int(fields[3]) // 1000 * 1000)
        return with_crc(b",".join(fields))


class WaitsForItsLine(SoundRig):
    """Takes no samples while it has something to send."""

    FAULTS: ClassVar = {"unhindered"}
    SAYS = "ms without samples while"

    def tick(self, now_ms: int) -> None:
        if self.buffer.get(self._next) is None:
            super().tick(now_ms)
        else:
            self.due_ms = max(self.due_ms, now_ms)


# ---------------------------------------------------------------- dialogue


class NeverAgain(SoundRig):
    """Ignores R."""

    FAULTS: ClassVar = {"resume", "acknowledge", "strangers"}
    SAYS = "had no effect"

    def _resend(self, _boot: int, _seq: int) -> None:
        return


class OneTooLate(SoundRig):
    """Sends again from behind the sample that was asked for."""

    FAULTS: ClassVar = {"resume"}
    SAYS = "was answered from"

    def _resend(self, boot: int, seq: int) -> None:
        super()._resend(boot, seq + 1 if self.buffer.first_seq <= seq < self.buffer.last_seq else seq)


class OnlyOne(SoundRig):
    """Sends the one sample again that was asked for, and no other."""

    FAULTS: ClassVar = {"resume"}
    SAYS = "not every sample from"

    def _resend(self, boot: int, seq: int) -> None:
        going_on = self._next
        super()._resend(boot, seq)
        if self._next != going_on:
            self._urgent.append(encode(self.buffer.get(self._next)))
            self._next = going_on


class Interleaves(SoundRig):
    """Sends new samples between the old ones."""

    FAULTS: ClassVar = {"order", "resume"}
    SAYS = "without being asked for"
    catching_up = False

    def _resend(self, boot: int, seq: int) -> None:
        super()._resend(boot, seq)
        self.catching_up = self._next < self.buffer.last_seq

    def take(self, values: tuple[Value, ...], after_ms: int) -> None:
        super().take(values, after_ms)
        self.catching_up = self.catching_up and self._next < self.buffer.last_seq
        if self.catching_up:
            self._urgent.append(encode(self.buffer.get(self.buffer.last_seq)))


class IgnoresTheOld(SoundRig):
    """Asked for what it no longer holds, it sends nothing instead of the oldest."""

    FAULTS: ClassVar = {"acknowledge", "resume"}
    SAYS = "nothing came"

    def _resend(self, boot: int, seq: int) -> None:
        if boot != self.boot or seq >= self.buffer.first_seq:
            super()._resend(boot, seq)


class Forgets(SoundRig):
    """Acknowledged is acknowledged: everything goes, also what was not sent yet."""

    FAULTS: ClassVar = {"acknowledge", "gaps"}
    SAYS = "nobody has called safe"

    def hear(self, line: bytes) -> None:
        command = _command(line)
        if (
            isinstance(command, Acknowledge)
            and command.boot == self.boot
            and command.seq <= self.buffer.last_seq
        ):
            line = encode(replace(command, seq=self.buffer.last_seq))
        super().hear(line)


class KeepsOne(SoundRig):
    """Keeps the sample that was acknowledged."""

    FAULTS: ClassVar = {"acknowledge"}
    SAYS = "it still holds"

    def hear(self, line: bytes) -> None:
        command = _command(line)
        if isinstance(command, Acknowledge):
            line = encode(replace(command, seq=max(0, command.seq - 1)))
        super().hear(line)


class AnswersAcknowledge(SoundRig):
    FAULTS: ClassVar = {"acknowledge"}
    SAYS = "it has no answer"

    def hear(self, line: bytes) -> None:
        super().hear(line)
        if isinstance(_command(line), Acknowledge):
            self._identify()


class NeverForgets(SoundRig):
    """Ignores A."""

    FAULTS: ClassVar = {"acknowledge"}
    SAYS = "it still holds"

    def hear(self, line: bytes) -> None:
        if not isinstance(_command(line), Acknowledge):
            super().hear(line)


class AnyBoot(SoundRig):
    """Doesn't look at the boot number, so it sends again what nobody has asked it for."""

    FAULTS: ClassVar = {"strangers", "order"}
    SAYS = "names another boot and has to be answered"

    def hear(self, line: bytes) -> None:
        command = _command(line)
        if isinstance(command, Acknowledge | Resend):
            line = encode(replace(command, boot=self.boot))
        super().hear(line)


class Gullible(SoundRig):
    """Forgets everything when a sample is acknowledged that doesn't exist yet."""

    FAULTS: ClassVar = {"strangers"}
    SAYS = "a sample that doesn't exist yet made it forget"

    def hear(self, line: bytes) -> None:
        command = _command(line)
        if isinstance(command, Acknowledge) and command.boot == self.boot:
            line = encode(replace(command, seq=min(command.seq, self.buffer.last_seq)))
        super().hear(line)


class Stuck(SoundRig):
    """Waits for ever for a sample beyond the newest."""

    FAULTS: ClassVar = {"strangers"}
    SAYS = "beyond the newest sample no more samples came"

    def _resend(self, boot: int, seq: int) -> None:
        super()._resend(boot, seq)
        if boot == self.boot and seq > self.buffer.last_seq:
            self._next = seq


class NoPeriod(SoundRig):
    """Says the period that it was asked for, and keeps its own."""

    FAULTS: ClassVar = {"period"}
    SAYS = "samples are 200 ms apart"

    def tick(self, now_ms: int) -> None:
        self.now_ms = now_ms
        while now_ms >= self.due_ms:
            self.sample(self.due_ms)
            self.due_ms += 200

    def hear(self, line: bytes) -> None:
        RigWire.hear(self, line)


class SilentPeriod(SoundRig):
    """Takes a period and says nothing."""

    FAULTS: ClassVar = {"period"}
    SAYS = "no identity came after P"

    def hear(self, line: bytes) -> None:
        super().hear(line)
        if isinstance(_command(line), SetPeriod):
            self._urgent.pop()


class TakesAnyPeriod(SoundRig):
    """Makes a period of 10 ms of 0."""

    FAULTS: ClassVar = {"period"}
    SAYS = "a period of 0 or over an hour was taken"

    def hear(self, line: bytes) -> None:
        if line.startswith(b"P,0*"):
            line = encode(SetPeriod(10))
        super().hear(line)


# ---------------------------------------------------------------- stress


class NoCheck(SoundRig):
    """Believes commands whatever their check."""

    FAULTS: ClassVar = {"junk"}
    SAYS = "a damaged acknowledgement made it forget"

    def hear(self, line: bytes) -> None:
        super().hear(with_crc(line.rpartition(b"*")[0]) if b"*" in line else line)


class StrictCase(SoundRig):
    """Refuses a check in lower case."""

    FAULTS: ClassVar = {"junk"}
    SAYS = "check in lower case"

    def hear(self, line: bytes) -> None:
        if line == line.upper():
            super().hear(line)


class Interrupts(SoundRig):
    """A control character stops it, as the console of many boards does."""

    FAULTS: ClassVar = {"junk"}
    SAYS = "all control characters it no longer answers"
    stopped = False

    def bytes_in(self, data: bytes) -> None:
        self.stopped = self.stopped or b"\x03" in data
        super().bytes_in(data)

    def tick(self, now_ms: int) -> None:
        if not self.stopped:
            super().tick(now_ms)

    def bytes_out(self) -> bytes:
        return b"" if self.stopped else super().bytes_out()


class Overruns(SoundRig):
    """Restarts when a line is longer than its buffer."""

    FAULTS: ClassVar = {"junk"}
    SAYS = "made it restart"

    def bytes_in(self, data: bytes) -> None:
        before = self.splitter.overlong
        super().bytes_in(data)
        if self.splitter.overlong > before:
            self.restart()


class AnswersJunk(SoundRig):
    FAULTS: ClassVar = {"junk"}
    SAYS = "dropped without an answer"

    def hear(self, line: bytes) -> None:
        super().hear(line)
        if _command(line) is None:
            self._identify()


class Drowns(SoundRig):
    """Restarts when questions come faster than it answers."""

    FAULTS: ClassVar = {"flood"}
    SAYS = "questions and junk made it restart"

    def hear(self, line: bytes) -> None:
        super().hear(line)
        if len(self._urgent) > 30:
            self.restart()


class Shallow(SoundRig):
    """Holds less than its notes say (the tests state 150)."""

    FAULTS: ClassVar = {"depth"}
    SAYS = "it holds 100 samples, 150 are stated"
    DEPTH = 100


class Deep(SoundRig):
    """Holds more: then the notes are wrong."""

    FAULTS: ClassVar = {"depth"}
    SAYS = "150 are stated"
    DEPTH = 200


class DropsTheNewest(SoundRig):
    """A full buffer takes nothing more."""

    FAULTS: ClassVar = {"depth"}
    SAYS = "it takes no new ones"

    def take(self, values: tuple[Value, ...], after_ms: int) -> None:
        if len(self.buffer) < self.DEPTH:
            super().take(values, after_ms)


class OverwritesUnsaid(SoundRig):
    FAULTS: ClassVar = {"depth"}
    SAYS = "`overwritten` never"

    def event(self, code: str, text: str) -> None:
        if code != "overwritten":
            super().event(code, text)


class Chatters(SoundRig):
    """Says `overwritten` for every sample."""

    FAULTS: ClassVar = {"depth"}
    SAYS = "times, not once"

    def take(self, values: tuple[Value, ...], after_ms: int) -> None:
        self._overflowing = False
        super().take(values, after_ms)


# ---------------------------------------------------------------- restart


class SameBoot(SoundRig):
    """The boot number is a constant."""

    FAULTS: ClassVar = {"reboot"}
    SAYS = "boot number 1234567 again"

    def restart(self) -> None:
        self.reboot(self.boot, "reset", "button")
        self.booted_ms = self.now_ms
        self.due_ms = self.now_ms + self.period_ms


class ShyAfterRestart(SoundRig):
    """Doesn't say who it is after a restart."""

    FAULTS: ClassVar = {"reboot"}
    SAYS = "the first line after the restart is no identity"

    def restart(self) -> None:
        super().restart()
        self._urgent.popleft()


class CountsOn(SoundRig):
    """Goes on counting samples in a new boot."""

    FAULTS: ClassVar = {"reboot"}
    SAYS = "not at 0"

    def restart(self) -> None:
        last = self.buffer.last_seq
        super().restart()
        self._urgent.clear()
        self.buffer._last = last
        self._next = last + 1
        self._identify()


def _command(line: bytes) -> object:
    try:
        return decode_host(line)
    except LineFault:
        return None


def rigs() -> list[type[SoundRig]]:
    """All of them, the sound one first."""
    found: list[type[SoundRig]] = [SoundRig]
    for kind in found:
        found += [sub for sub in kind.__subclasses__() if sub not in found]
    return found


__all__ = ["CHANNELS", "RigLink", "Sample", "SoundRig", "rigs"]
