"""The message table and the host's faces of it."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from fake_box import body_of
from hypothesis import given
from hypothesis import strategies as st

from barbox import proto, records
from shared_proto import frames, messages

FIXED = [m for m in messages.MESSAGES if not m.tail]


def values_of(message):
    """Strategy: one value a field, over the whole range of its code."""
    spans = {"B": (0, 255), "H": (0, 65535), "I": (0, 2**32 - 1), "h": (-32768, 32767), "i": (-(2**31), 2**31 - 1)}
    each = []
    for _, code, _, _ in message.fields:
        count, letter = code[:-1], code[-1]
        if letter == "s":
            text = st.text(st.characters(codec="ascii", exclude_characters="\0"), max_size=int(count))
            each.append(text)
        elif letter == "*":
            each.append(st.binary(max_size=frames.BODY_MAX - message.size))
        else:
            number = st.integers(*spans[letter])
            each.append(st.tuples(*[number] * int(count)) if count else number)
    return st.tuples(*each)


def test_kinds_and_names_are_unique_and_every_message_fits_a_frame():
    assert (
        len({m.kind for m in messages.MESSAGES})
        == len({m.name for m in messages.MESSAGES})
        == len(messages.MESSAGES)
    )
    for m in messages.MESSAGES:
        assert 0 < m.kind < 256 and m.size <= frames.BODY_MAX
        assert len({f[0] for f in m.fields} | {"kind", "number"}) == len(m.fields) + 2
        assert m.sender in ("host", "box")
        assert "*" not in [f[1] for f in m.fields[:-1]]


@pytest.mark.parametrize("message", messages.MESSAGES, ids=lambda m: m.name)
@given(data=st.data(), number=st.integers(0, 65535))
def test_record_round_trip(message, data, number):
    values = data.draw(values_of(message))
    body = proto.pack(message, number, *values)
    record = proto.unpack(body)
    assert type(record) is records.RECORDS[message.kind]
    assert record == (message.kind, number, *values)
    if not message.tail:
        assert proto.unpack(body + b"field of a newer version") == record
    if message.size:
        with pytest.raises(ValueError, match="needs"):
            proto.unpack(body[: message.size - 1])


@pytest.mark.parametrize("message", FIXED, ids=lambda m: m.name)
@given(data=st.data())
def test_numpy_reads_what_the_box_packs(message, data):
    values = data.draw(values_of(message))
    body = proto.pack(message, 513, *values)
    dtype = proto.dtype(message)
    assert dtype.itemsize == message.size == len(body)
    array = np.frombuffer(body * 3, dtype)
    assert array["number"].tolist() == [513] * 3
    for name, value in zip([f[0] for f in message.fields], values, strict=True):
        got = array[name][1].tolist()
        assert got == (
            value.encode() if isinstance(value, str) else list(value) if isinstance(value, tuple) else value
        )


def test_a_message_without_a_fixed_length_has_no_numpy_type():
    with pytest.raises(ValueError, match="fixed length"):
        proto.dtype(messages.SETTING)


def test_columns_match_rows():
    for m in FIXED:
        assert len(proto.columns(m)) == len(set(proto.columns(m))) == len(proto.row(proto.unpack(body_of(m))))
    at = proto.columns(messages.STATUS).index("pulse_us_1")
    assert proto.columns(messages.STATUS)[at : at + 28] == [
        f"{name}_{n + 1}"
        for name, count in (("pulse_us", 4), ("sense_mv", 8), ("section_mv", 8), ("sense_fault", 8))
        for n in range(count)
    ]
    record = proto.unpack(body_of(messages.STATUS, 7, time_ms=3, pulse_us=(1, 2, 3, 4)))
    row = dict(zip(proto.columns(messages.STATUS), proto.row(record), strict=True))
    assert (row["number"], row["time_ms"], row["pulse_us_4"]) == (7, 3, 4)


def test_markdown_has_a_row_for_every_field():
    page = proto.markdown()
    for m in messages.MESSAGES:
        assert f"### {m.kind} `{m.name}`" in page
        for name, code, unit, text in m.fields:
            assert f"| `{name}` | `{code}` | {unit} | {text} |" in page


def test_type_stub_is_that_of_the_table():
    stub = Path(records.__file__).with_suffix(".pyi")
    assert stub.read_text() == proto.stub(), "run: python -m barbox.proto > host/barbox/records.pyi"
    printed = subprocess.run(
        [sys.executable, "-m", "barbox.proto"], capture_output=True, text=True, check=True
    )
    assert printed.stdout == proto.stub()


def test_unknown_kind_and_short_head():
    assert proto.unpack(b"\xff\x00\x00") is None
    assert proto.unpack(b"") is None
    assert messages.head(b"\x03\x01") == (0, 0)
    assert messages.head(b"\x03\x01\x02rest") == (3, 0x0201)


@given(st.integers(-(2**20), 2**20))
def test_number_wraps_at_16_bits(number):
    assert messages.head(messages.DONE.pack(number)) == (messages.DONE.kind, number % 65536)
