"""The line splitter: any cut of a stream gives the same lines; its memory is bounded."""

from __future__ import annotations

import random
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from logger.framing import LineSplitter
from logger.protocol import MAX_LINE, LineFault, RigRecord, Sample, decode_rig, encode

# runs of one byte make lines around the length limit likely
streams = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.just(b"\n"),
        st.just(b"\r\n"),
        st.builds(lambda n: b"x" * n, st.integers(200, 600)),
        st.builds(lambda n: encode(Sample(1, n, 5 * n, (n, None, "+"))), st.integers(0, 10**6)),
    ),
    max_size=12,
).map(b"".join)


def split_whole(stream: bytes) -> tuple[list[bytes], int]:
    splitter = LineSplitter()
    return splitter.feed(stream), splitter.overlong


def records_in(lines: list[bytes]) -> list[RigRecord]:
    records = []
    for line in lines:
        try:
            records.append(decode_rig(line))
        except LineFault:
            continue
    return records


@given(streams, st.data())
def test_any_cut_gives_the_same_lines(stream: bytes, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=30)))
    splitter = LineSplitter()
    lines = [
        line for begin, end in pairwise([0, *cuts, len(stream)]) for line in splitter.feed(stream[begin:end])
    ]
    assert (lines, splitter.overlong) == split_whole(stream)


@given(streams)
def test_one_byte_at_a_time_gives_the_same_records(stream: bytes) -> None:
    splitter = LineSplitter()
    lines = [line for byte in stream for line in splitter.feed(bytes([byte]))]
    assert (lines, splitter.overlong) == split_whole(stream)
    assert records_in(lines) == records_in(split_whole(stream)[0])


@given(streams)
def test_lines_are_those_of_a_plain_split(stream: bytes) -> None:
    # the plain way, without a bound on memory, as the model
    whole = stream.replace(b"\r", b"").split(b"\n")[:-1]
    assert split_whole(stream)[0] == [line for line in whole if 0 < len(line) <= MAX_LINE]


def test_a_heap_of_junk_then_one_good_line_is_one_record() -> None:
    good = Sample(3, 4, 5, (6, 7))
    generator = random.Random(1)
    for junk in (generator.randbytes(100_000), b"\x00" * 100_000, b"D,1,2,3,4*FFFF" * 7_143):
        splitter = LineSplitter()
        lines = [
            line for begin in range(0, len(junk), 777) for line in splitter.feed(junk[begin : begin + 777])
        ]
        lines += splitter.feed(b"\n" + encode(good))
        assert records_in(lines) == [good]


def test_memory_is_bounded_and_an_overlong_line_counts_once() -> None:
    splitter = LineSplitter()
    for _ in range(1000):
        assert splitter.feed(b"y" * 1000) == []
        assert len(splitter._tail) <= MAX_LINE
    assert splitter.overlong == 1
    assert splitter.feed(b"rest\nshort\n") == [b"short"]
    assert (splitter.overlong, splitter.overlong_start) == (1, b"yy")
    assert splitter.feed(b"I,1" + b"x" * MAX_LINE + b"\n") == []
    assert (splitter.overlong, splitter.overlong_start) == (2, b"I,")


def test_the_longest_line_passes_and_one_byte_more_does_not() -> None:
    assert LineSplitter().feed(b"z" * MAX_LINE + b"\r\n") == [b"z" * MAX_LINE]
    splitter = LineSplitter()
    assert splitter.feed(b"z" * (MAX_LINE + 1) + b"\n") == []
    assert splitter.overlong == 1


def test_an_unended_line_is_kept_back_until_it_ends_or_the_port_is_opened_again() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"12.") == []
    assert splitter.feed(b"5\n12.") == [b"12.5"]
    splitter.reset()
    assert splitter.feed(b"7\n") == [b"7"]
