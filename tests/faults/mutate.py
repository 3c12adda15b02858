"""Inputs made from valid ones: bytes, numbers, words, lines and structure changed at random, by a seed alone.

The same (seed, door, number) is the same input on every machine, so a failure is repeated by its number.
"""

from __future__ import annotations

import json
import re
from copy import deepcopy
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

NUMBERS = (
    b"0", b"-0", b"-1", b"1e9", b"-1e9", b"1e300", b"1e308", b"1.8e308", b"1e-320", b"nan", b"-nan", b"inf", b"-inf",
    b"Infinity", b"NaN", b"1e999999999", b"9" * 20, b"9" * 320, b"1" + b"0" * 4400, b"0x" + b"f" * 40, b"0b1",
    b"1_000",
    b"2147483648", b"4294967295", b"4294967296", b"9007199254740993", b"9223372036854775807", b"9223372036854775808",
    b"-9223372036854775809", b"18446744073709551616", b"0.1", b"1.", b".5", b"+5", b"1e", b"--1", b"1,5", b"007",
    "١٢".encode(), "５".encode(), b"1e-9", b"273.15", b"-273.15", b"253402300800", b"-62135596801", b"1e12", b"1e15",
    b"1e18",
)  # fmt: skip
DATES = (
    b"0001-01-01T00:00:00Z", b"0001-01-01T00:00:00+23:59", b"9999-12-31T23:59:59Z",
    b"9999-12-31T23:59:59.999999-23:59",
    b"9999-12-31", b"0001-01-01", b"0000-00-00T00:00:00Z", b"1969-12-31T23:59:59Z", b"1970-01-01T00:00:00Z",
    b"2038-01-19T03:14:08Z", b"2262-04-11T23:47:17Z", b"2027-02-29T00:00:00Z", b"2027-01-15T24:00:00Z",
    b"2027-01-15T18:00:60Z", b"2027-01-15T18:00:00", b"2027-W03-1T00:00:00Z", b"20270115T180000Z",
    b"10000-01-01T00:00:00Z",
    b"2027-01-15T18:00:00+24:00", b"2027-01-15T18:00:00+23:59:59.999999", b"2027-01-15T18:00:00,5Z",
)  # fmt: skip
PIECES = (
    b"", b"\0", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n", b"\r\n", b"\x0b", b"\x0c",
    b"\x1b[2J", b"\x85",
    b"\xed\xa0\x80", b"\xc0\x80", b"\xf4\x90\x80\x80", "\u2028".encode(), "\u202e".encode(), "é".encode("latin-1"),
    "Ω".encode(),
    b'"', b"'", b'"""', b"'''", b"\\", b"\\ud800", b"\\u0000", b",", b";", b"\t", b" ", b"=", b"#", b"|", b"*",
    b"/", b"%", b"{}", b"%s",
    b"../../../etc/passwd", b"<script>", b"${x}", b"$(x)", b"None", b"null", b"true", b"[]", b"{", b"}", b"[", b"]",
    b"[[", b"]]", b".",
)  # fmt: skip
_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_WORD = re.compile(rb"[A-Za-z_][\w.-]*")
_DATE = re.compile(rb"\d{4}-\d\d-\d\d(?:[T ][\d:.]+(?:Z|[+-]\d\d:\d\d)?)?")
MOST = 200_000
"""Bytes that mutation lets an input grow to; longer ones stand in the corpus as pieces."""


class Mutator:
    """Makes inputs of a door from its valid examples and its own words."""

    def __init__(
        self,
        seeds: Sequence[bytes],
        words: Sequence[bytes] = (),
        finish: Callable[[bytes], bytes] | None = None,
    ) -> None:
        """`finish` puts right what would hide all else (a checksum); it is left out now and then."""
        self._seeds = tuple(seeds)
        self._words = (*words, *PIECES, *NUMBERS, *DATES)
        self._finish = finish

    def make(self, rng: random.Random) -> bytes:
        """One input."""
        data = rng.choice(self._seeds)
        if data[:1] == b"{" and rng.random() < 0.5:
            data = json_changed(data, rng)
        for _ in range(rng.choice((0, 1, 1, 1, 2, 2, 3, 5, 8))):
            data = rng.choice(_CHANGES)(data, rng, self)[:MOST]
        if self._finish is not None and rng.random() < 0.9:
            data = self._finish(data)
        return data

    def piece(self, rng: random.Random) -> bytes:
        """A word to put in."""
        return rng.choice(self._words)

    def other(self, rng: random.Random) -> bytes:
        """Another valid example."""
        return rng.choice(self._seeds)


def _place(data: bytes, rng: random.Random) -> tuple[int, int]:
    begin = rng.randrange(len(data) + 1)
    return begin, min(len(data), begin + rng.choice((0, 1, 1, 2, 4, 16, 64)))


def _flip(data: bytes, rng: random.Random, _: Mutator) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def _cut(data: bytes, rng: random.Random, _: Mutator) -> bytes:
    begin, end = _place(data, rng)
    return data[:begin] + data[end:] if rng.random() < 0.8 else data[:begin]


def _double(data: bytes, rng: random.Random, _: Mutator) -> bytes:
    begin, end = _place(data, rng)
    return data[:end] + data[begin:end] * rng.choice((1, 1, 2, 20, 400)) + data[end:]


def _put(data: bytes, rng: random.Random, by: Mutator) -> bytes:
    begin, end = _place(data, rng)
    return data[:begin] + by.piece(rng) + data[end if rng.random() < 0.5 else begin :]


def _swapped(
    pattern: re.Pattern[bytes], with_: Callable[[random.Random, Mutator], bytes]
) -> Callable[[bytes, random.Random, Mutator], bytes]:
    def change(data: bytes, rng: random.Random, by: Mutator) -> bytes:
        found = list(pattern.finditer(data))
        if not found:
            return data
        one = rng.choice(found)
        return data[: one.start()] + with_(rng, by) + data[one.end() :]

    return change


def _lines(data: bytes, rng: random.Random, by: Mutator) -> bytes:
    lines = data.split(b"\n")
    at = rng.randrange(len(lines))
    what = rng.randrange(5)
    if what == 0:
        del lines[at]
    elif what == 1:
        lines.insert(at, lines[at])
    elif what == 2:
        rng.shuffle(lines)
    elif what == 3:
        other = by.other(rng).split(b"\n")
        lines[at:at] = other[: rng.randrange(1, 6)]
    else:
        lines[at] = b",".join(rng.sample(cells, len(cells))) if (cells := lines[at].split(b",")) else b""
    return b"\n".join(lines)


def _encode(data: bytes, rng: random.Random, _: Mutator) -> bytes:
    text = data.decode("utf-8", "replace")
    return rng.choice(
        (
            lambda: text.encode("utf-16"),
            lambda: text.encode("utf-32"),
            lambda: text.encode("latin-1", "replace"),
            lambda: b"\xef\xbb\xbf" + data,
            lambda: b"\xef\xbb\xbf\xef\xbb\xbf" + data,
            lambda: data.replace(b"\n", b"\r\n"),
            lambda: data.replace(b"\n", b"\r"),
            lambda: data.replace(b"\n", b"\0"),
            lambda: data.replace(b",", b";"),
            lambda: data + b"\x1a",
        )
    )()


def _deep(data: bytes, rng: random.Random, _: Mutator) -> bytes:
    opening, closing = rng.choice(
        ((b"[", b"]"), (b'{"a":', b"}"), (b"{a=", b"}"), (b"(", b")"), (b"a.", b""), (b"[[", b"]]"))
    )
    depth = rng.choice((3, 3, 3, 50, 50, 400, 990, 1100, 1100, 20_000))
    begin, end = _place(data, rng)
    inner = data[begin:end] or b"1"
    return (
        data[:begin] + opening * depth + inner + (closing * depth if rng.random() < 0.7 else b"") + data[end:]
    )


def _long(data: bytes, rng: random.Random, by: Mutator) -> bytes:
    begin, _ = _place(data, rng)
    what = rng.choice(
        (
            b"1",
            b"0",
            b" ",
            b"a",
            b",",
            b"\n",
            b'"',
            b"9.",
            b"-",
            b"\t ",
            b"e1",
            "ß".encode(),
            b"1 ",
            b"**2",
            by.piece(rng),
        )
    )
    times = min(rng.choice((50, 50, 50, 300, 300, 300, 5000, 5000, 60_000)), MOST // max(len(what), 1))
    return data[:begin] + what * times + data[begin:]


_CHANGES: tuple[Callable[[bytes, random.Random, Mutator], bytes], ...] = (
    _flip, _cut, _double, _put, _put, _lines, _lines, _encode, _deep, _long,
    *(3 * [_swapped(_NUMBER, lambda rng, _: rng.choice(NUMBERS))]),
    _swapped(_NUMBER, lambda rng,
    _: f"{rng.uniform(-1, 1) * 10.0 ** rng.randint(-12, 20):.{rng.randint(1, 17)}g}".encode()),
    _swapped(_NUMBER, lambda rng, _: str(rng.getrandbits(rng.choice((3, 8, 16, 31, 33, 64, 80)))).encode()),
    *(2 * [_swapped(_WORD, lambda rng, by: by.piece(rng))]),
    _swapped(_DATE, lambda rng, _: rng.choice(DATES)),
)  # fmt: skip


# -- JSON, changed as what it is -----------------------------------------------------------------------------------

_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1e308, -1e308, float("nan"), float("inf"), 2**63, 10**4400, 1e-320, "", "x" * 3000,
    "\ud800", "\0", "\n",
    "leaking", "tight", "undecided", "9999-12-31T23:59:59Z", "2027-01-15T18:00:00Z", [], {}, [[]], [None], [None,
    None], [1], [2, 1],
    [1e308, -1e308], ["a", "b"], {"name": "a"}, [{}], "1e9", 0.5, 100, -300.0,
)  # fmt: skip


def json_changed(data: bytes, rng: random.Random) -> bytes:
    """Values of a JSON text replaced, taken away, doubled or nested; as it was if it is none."""
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError):
        return data
    for _ in range(rng.choice((1, 1, 2, 4))):
        places = _places(whole)
        if not places:
            break
        holder, key = rng.choice(places)
        what = rng.randrange(6)
        if what == 0:
            del holder[key]
        elif what == 1 and isinstance(holder, list):
            holder.insert(key, deepcopy(holder[key]))
        elif what == 2 and isinstance(holder, dict):
            holder[rng.choice(("name", "x", "", "ß", "check"))] = holder.pop(key)
        elif what == 3:
            holder[key] = [holder[key]]
        else:
            holder[key] = deepcopy(rng.choice(_VALUES))
    try:
        return json.dumps(whole, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")
    except (ValueError, RecursionError):  # a whole number of more digits than Python writes, or too deep
        return data


def _places(whole: Any) -> list[tuple[Any, Any]]:
    """Everything in a document that can be changed: what holds it, and its key or number there."""
    found: list[tuple[Any, Any]] = []
    waiting = [whole]
    while waiting:
        value = waiting.pop()
        keys = (
            list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
        )
        found += [(value, key) for key in keys]
        waiting += [value[key] for key in keys]
    return found
