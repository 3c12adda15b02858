"""Lines to records and back; any bytes give a record or a LineFault."""

from __future__ import annotations

import contextlib
import copy
import dataclasses
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol import (
    MAX_LINE,
    MAX_PERIOD_MS,
    MAX_SEQ,
    MAX_UINT32,
    OVER,
    UNDER,
    VERSION,
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    LineFault,
    Reason,
    Resend,
    RigEvent,
    RigRecord,
    Sample,
    SetPeriod,
    clean_text,
    crc16,
    decode_host,
    decode_rig,
    encode,
)


def with_crc(content: str | bytes) -> bytes:
    data = content.encode("latin-1") if isinstance(content, str) else content
    return data + b"*%04X" % crc16(data)


uint32 = st.integers(0, MAX_UINT32)
seqs = st.integers(0, MAX_SEQ)
values = st.one_of(st.integers(-(2**31), 2**31 - 1), st.none(), st.sampled_from([OVER, UNDER]))
texts = st.text(
    st.characters(min_codepoint=32, max_codepoint=126, exclude_characters=",*|"), min_size=1, max_size=12
)
samples = st.builds(Sample, uint32, seqs, uint32, st.lists(values, min_size=1, max_size=12).map(tuple))
events = st.builds(RigEvent, uint32, uint32, texts, texts)


@st.composite
def identities(draw: st.DrawFn) -> Identity:
    first = draw(st.integers(0, 10**9))
    return Identity(
        VERSION,
        draw(texts),
        draw(texts),
        draw(st.integers(1, MAX_PERIOD_MS)),
        draw(uint32),
        first,
        first - 1 + draw(st.integers(0, 10**6)),
        tuple(draw(st.lists(texts, min_size=1, max_size=8, unique=True))),
    )


commands = st.one_of(
    st.just(Identify()),
    st.builds(Resend, uint32, seqs),
    st.builds(SetPeriod, st.integers(1, MAX_PERIOD_MS)),
    st.builds(Acknowledge, uint32, seqs),
)


@given(st.one_of(samples, events, identities()))
def test_what_a_rig_says_is_read_back(record: RigRecord) -> None:
    line = encode(record)
    assert line.endswith(b"\n")
    assert len(line) <= MAX_LINE + 1
    assert decode_rig(line) == record
    assert encode(decode_rig(line)) == line


@given(commands)
def test_what_a_host_says_is_read_back(command: HostCommand) -> None:
    assert decode_host(encode(command)) == command


@given(st.binary(max_size=300))
def test_any_bytes_give_a_record_or_a_fault(line: bytes) -> None:
    for decode in (decode_rig, decode_host):
        with contextlib.suppress(LineFault):
            assert encode(decode(line)).startswith(line[:-6])


@given(st.text(st.sampled_from("DIER?PA,*+-|0123456789 \n\x00é_"), max_size=60))
def test_any_content_under_a_right_crc_gives_a_record_or_a_fault(content: str) -> None:
    for decode in (decode_rig, decode_host):
        try:
            record = decode(with_crc(content))
        except LineFault:
            continue
        assert encode(record) == with_crc(content.rstrip("\r\n")) + b"\n"


@given(samples)
def test_a_decoded_sample_is_like_one_that_was_made_here(made: Sample) -> None:
    # its values are read from the text only when they are asked for
    read = decode_rig(encode(made))
    assert isinstance(read, Sample)
    assert (read.width, read.body) == (made.width, made.body) == (len(made.values), made.body)
    assert pickle.loads(pickle.dumps(decode_rig(encode(made)))) == made  # noqa: S301  our own
    assert copy.copy(decode_rig(encode(made))) == made
    assert dataclasses.replace(read, seq=5) == dataclasses.replace(made, seq=5)
    assert (read, hash(read), repr(read)) == (made, hash(made), repr(made))
    with pytest.raises(AttributeError):
        read.colour  # type: ignore[attr-defined]  # noqa: B018


@given(samples, st.data())
def test_one_or_two_flipped_bits_never_pass(sample: Sample, data: st.DataObject) -> None:
    line = bytearray(encode(sample)[:-1])
    for bit in data.draw(st.sets(st.integers(0, 8 * len(line) - 1), min_size=1, max_size=2)):
        line[bit // 8] ^= 1 << (bit % 8)
    try:
        survivor = decode_rig(bytes(line))
    except LineFault:
        return
    assert survivor == sample  # only the case of a CRC digit can flip without a change of meaning


def test_the_written_form() -> None:
    # the shapes are those of the protocol's description; the CRCs are held against crccheck in tests/external
    sample = Sample(7, 12, 12_000, (1234, None, OVER, UNDER, -5))
    assert encode(sample) == with_crc("D,7,12,12000,1234,,+,-,-5") + b"\n"
    assert sample.body == "1234,,+,-,-5"
    identity = Identity(1, "bay-2", "0.3", 1000, 7, 0, -1, ("front_left.pressure", "ambient.temperature"))
    assert encode(identity) == (
        with_crc("I,1,bay-2,0.3,1000,7,0,-1,front_left.pressure|ambient.temperature") + b"\n"
    )
    assert encode(RigEvent(7, 5, "brownout", "4.1 V")) == with_crc("E,7,5,brownout,4.1 V") + b"\n"
    assert encode(Identify()) == with_crc("?") + b"\n"
    assert encode(Resend(7, 12)) == with_crc("R,7,12") + b"\n"
    assert encode(SetPeriod(500)) == with_crc("P,500") + b"\n"
    assert encode(Acknowledge(7, 12)) == with_crc("A,7,12") + b"\n"


def test_records_are_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        decode_rig(encode(Sample(1, 2, 3, (4,)))).boot = 9  # type: ignore[misc]


def test_crc_digits_may_be_in_lower_case_and_the_line_may_keep_its_end() -> None:
    sample = Sample(1, 2, 3, (4,))
    line = encode(sample)[:-1]
    assert decode_rig(line[:-4] + line[-4:].lower() + b"\r\n") == sample


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("D,1,2,3", Reason.FIELDS),
        ("D", Reason.FIELDS),
        ("D,1,2,3,x", Reason.NUMBER),
        ("D,1,2,3,1_000", Reason.NUMBER),
        ("D,1,2,3, 12", Reason.NUMBER),
        ("D,1,2,3,+5", Reason.NUMBER),
        ("D,1,2,3,-0", Reason.NUMBER),
        ("D,1,2,3,007", Reason.NUMBER),
        ("D,1,2,3,1.5", Reason.NUMBER),
        ("D,4294967296,2,3,1", Reason.NUMBER),
        ("D,1,2,4294967296,1", Reason.NUMBER),
        ("D,-1,2,3,1", Reason.NUMBER),
        ("D,1,99999999999999999999,3,1", Reason.NUMBER),
        ("D,1,2,3,\x07", Reason.ASCII),
        ("D,1,2,3,\xe9", Reason.ASCII),
        ("Q,1", Reason.KIND),
        ("", Reason.KIND),
        ("?", Reason.KIND),
        ("I,1,bay,0.3,1000,7,0,5", Reason.FIELDS),
        ("I,2,bay,something,else,that,is,longer,than,version,one", Reason.VERSION),
        ("I,1,bay,0.3,0,7,0,5,a", Reason.NUMBER),
        ("I,1,bay,0.3,1000,7,7,5,a", Reason.NUMBER),
        ("I,1,bay,0.3,1000,7,0,-2,a", Reason.NUMBER),
        ("I,1,bay,0.3,1000,7,0,5,a|a", Reason.TEXT),
        ("I,1,bay,0.3,1000,7,0,5,a||b", Reason.TEXT),
        ("I,1,,0.3,1000,7,0,5,a", Reason.TEXT),
        ("E,1,2,x", Reason.FIELDS),
        ("E,1,2,,text", Reason.TEXT),
        ("E,1,2,code,a*b", Reason.TEXT),
    ],
)
def test_a_bad_line_under_a_right_crc_is_refused(content: str, reason: Reason) -> None:
    with pytest.raises(LineFault) as caught:
        decode_rig(with_crc(content))
    assert caught.value.reason is reason


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"", Reason.FRAME),
        (b"*", Reason.FRAME),
        (b"D,1,2,3,4", Reason.FRAME),
        (b"D,1,2,3,4*12", Reason.FRAME),
        (b"D,1,2,3,4*12G4", Reason.FRAME),
        (b"D,1,2,3,4*0x12", Reason.FRAME),
        (b"D,1,2,3,4*0000", Reason.CRC),
        (with_crc("D,1,2,3," + "1" * 250), Reason.LENGTH),
    ],
)
def test_a_broken_frame_is_refused(line: bytes, reason: Reason) -> None:
    with pytest.raises(LineFault) as caught:
        decode_rig(line)
    assert caught.value.reason is reason


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("?,1", Reason.FIELDS),
        ("R,1", Reason.FIELDS),
        ("A,1,2,3", Reason.FIELDS),
        ("P,0", Reason.NUMBER),
        ("P,3600001", Reason.NUMBER),
        ("R,1,-1", Reason.NUMBER),
        ("D,1,2,3,4", Reason.KIND),
    ],
)
def test_a_bad_command_is_refused(content: str, reason: Reason) -> None:
    with pytest.raises(LineFault) as caught:
        decode_host(with_crc(content))
    assert caught.value.reason is reason


@given(st.text(max_size=400))
def test_any_text_can_be_sent_as_an_event(text: str) -> None:
    event = decode_rig(encode(RigEvent(1, 2, "note", text)))
    assert isinstance(event, RigEvent)
    assert clean_text(text).startswith(event.text)


def test_separators_in_names_are_replaced() -> None:
    identity = Identity(1, "bay,2*é\n", "1", 1000, 7, 0, 5, ("a|b", "c,d"))
    read = decode_rig(encode(identity))
    assert isinstance(read, Identity)
    assert read.rig == "bay;2#? "
    assert read.channels == ("a/b", "c;d")


def test_a_record_too_long_for_a_line_is_not_written() -> None:
    with pytest.raises(LineFault) as caught:
        encode(
            Identity(1, "bay", "1", 1000, 7, 0, 5, tuple(f"section_number_{n}.pressure" for n in range(12)))
        )
    assert caught.value.reason is Reason.LENGTH
