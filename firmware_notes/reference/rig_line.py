"""Lines of protocol 1: bytes from the host become commands, samples and identities become lines.

Pure, and in the subset of the language that MicroPython and CPython share. ../line-protocol.md is the law.
"""

MAX_LINE = 250
MAX_UINT32 = 0xFFFFFFFF
MAX_SEQ = 9007199254740991
MAX_PERIOD_MS = 3600000


def _table():
    entries = []
    for nibble in range(16):
        value = nibble << 12
        for _ in range(4):
            value = ((value << 1) ^ (0x1021 if value & 0x8000 else 0)) & 0xFFFF
        entries.append(value)
    return tuple(entries)


_NIBBLES = _table()


def crc16(data):
    """CRC-16/IBM-3740 by half bytes: a table of 16 numbers, a few times faster than bit by bit."""
    value = 0xFFFF
    for byte in data:
        value = ((value << 4) & 0xFFF0) ^ _NIBBLES[(value >> 12) ^ (byte >> 4)]
        value = ((value << 4) & 0xFFF0) ^ _NIBBLES[(value >> 12) ^ (byte & 15)]
    return value


def finished(content):
    """The line with this content: check and line end put behind it."""
    data = content.encode()
    return data + b"*%04X\n" % crc16(data)


def identity_line(rig, firmware, period_ms, boot, first_seq, last_seq, names):
    """`I`: who the rig is and what it holds."""
    return finished(f"I,1,{rig},{firmware},{period_ms},{boot},{first_seq},{last_seq},{'|'.join(names)}")


def sample_line(boot, seq, uptime_ms, values):
    """`D`: one sample; a value is a whole number, None, "+" or "-"."""
    fields = ",".join(["" if value is None else str(value) for value in values])
    return finished(f"D,{boot},{seq},{uptime_ms},{fields}")


def event_line(boot, uptime_ms, code, text):
    """`E`: something happened. A long story is cut, not refused."""
    text = "".join([char if " " <= char <= "~" and char not in ",*" else " " for char in text])
    return finished(f"E,{boot},{uptime_ms},{code},{text}"[: MAX_LINE - 5])


def identity_room(rig, firmware, names):
    """Bytes left in the identity with the largest numbers it may come to carry; negative: it will not fit.

    Sample numbers of eight digits are three years at one a second.
    """
    longest = identity_line(rig, firmware, MAX_PERIOD_MS, MAX_UINT32, 99999999, 99999999, names)
    return MAX_LINE - (len(longest) - 1)


class LineReader:
    """Cuts what arrives at its line ends, in a buffer that can't grow: an over-long line is dropped whole."""

    def __init__(self):
        """Begin with nothing heard."""
        self._buffer = bytearray(MAX_LINE)
        self._length = 0
        self._dropping = False
        self.overlong = 0

    def feed(self, data):
        """Take a piece of the stream; return the lines that end in it, without their ends."""
        lines = []
        for byte in data:
            if byte == 10:
                if self._length and not self._dropping:
                    lines.append(bytes(self._buffer[: self._length]))
                self._length = 0
                self._dropping = False
            elif byte == 13 or self._dropping:
                pass
            elif self._length == MAX_LINE:
                self._dropping = True
                self.overlong += 1
            else:
                self._buffer[self._length] = byte
                self._length += 1
        return lines


def _number(text, highest):
    """A decimal number without leading zeros, or None."""
    if not text or len(text) > 16 or (len(text) > 1 and text[0] == "0"):
        return None
    for char in text:
        if not "0" <= char <= "9":
            return None
    number = int(text)
    return number if number <= highest else None


def _content(line):
    """What the check protects, as text, once the check is right; else None."""
    if not 5 <= len(line) <= MAX_LINE or line[-5] != 42:
        return None
    said = 0
    for byte in line[-4:]:
        if 48 <= byte <= 57:
            digit = byte - 48
        elif 65 <= byte <= 70 or 97 <= byte <= 102:
            digit = (byte & 15) + 9
        else:
            return None
        said = said << 4 | digit
    content = line[:-5]
    for byte in content:
        if not 32 <= byte <= 126 or byte == 42:
            return None
    return content.decode() if crc16(content) == said else None


def parse_host(line):
    """Read a line from the host: ("?",), ("R", boot, seq), ("A", boot, seq), ("P", ms); None: drop it."""
    content = _content(line)
    if content is None:
        return None
    fields = content.split(",")
    kind = fields[0]
    if kind == "?" and len(fields) == 1:
        return ("?",)
    if kind == "P" and len(fields) == 2:
        period_ms = _number(fields[1], MAX_PERIOD_MS)
        return ("P", period_ms) if period_ms else None
    if kind in ("R", "A") and len(fields) == 3:
        boot, seq = _number(fields[1], MAX_UINT32), _number(fields[2], MAX_SEQ)
        return None if boot is None or seq is None else (kind, boot, seq)
    return None
