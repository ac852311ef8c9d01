"""Frames on a byte stream, against RFC 1055 and the CRC catalogue, and whatever a line can do to them."""

import binascii

from hypothesis import given
from hypothesis import strategies as st

from shared_proto import frames

# RFC 1055 (J. Romkey, June 1988): END 192, ESC 219, ESC_END 220, ESC_ESC 221; octal 300, 333, 334, 335 there.
END, ESC, ESC_END, ESC_ESC = 192, 219, 220, 221

# A framed IP packet as published in Sys Admin magazine 3/1 (January 1994), figure 4, its END and ESC escaped.
PUBLISHED = bytes.fromhex(
    "C0 45 00 00 54 00 01 00 00 40 01 58 91 80 7F 1E DB DC 80 7F 02 DB DD 08 00 0D FB EA 03 00 01"
    + " 00" * 32
    + " C0"
)
PAYLOAD = bytes.fromhex(
    "45 00 00 54 00 01 00 00 40 01 58 91 80 7F 1E C0 80 7F 02 DB 08 00 0D FB EA 03 00 01"
) + bytes(32)

bodies = st.binary(min_size=1, max_size=frames.BODY_MAX)
# Bytes that matter to the framing, far more often than by chance.
awkward = st.lists(
    st.sampled_from([END, ESC, ESC_END, ESC_ESC, 0, 65]), min_size=1, max_size=frames.BODY_MAX
).map(bytes)
any_body = bodies | awkward


def test_constants_of_rfc_1055():
    assert bytes([END]) == frames.END and bytes([ESC]) == frames.ESC
    assert bytes([ESC, ESC_END]) == frames.ESC_END and bytes([ESC, ESC_ESC]) == frames.ESC_ESC


def test_escaping_as_in_the_published_packet():
    # Our frame carries four more bytes before the last END; everything ahead of them is the published packet.
    frame = frames.encode(PAYLOAD)
    assert frame.startswith(PUBLISHED[:-1]) and frame.endswith(b"\xc0")
    assert frames.Decoder().feed(frame) == [PAYLOAD]


def test_crc_check_value():
    # CRC-32/ISO-HDLC of "123456789" is 0xCBF43926: Catalogue of parametrised CRC algorithms (G. Cook, CRC RevEng).
    assert frames.encode(b"123456789") == b"\xc0123456789" + (0xCBF43926).to_bytes(4, "little") + b"\xc0"
    # CRC-32/BZIP2 and CRC-32/JAMCRC of the same catalogue are not it.
    for other in (0xFC891918, 0x340BC6D9):
        wrong = b"\xc0123456789" + other.to_bytes(4, "little") + b"\xc0"
        assert frames.Decoder().feed(wrong) == []


@given(any_body)
def test_round_trip(body):
    frame = frames.encode(body)
    assert frames.END not in frame[1:-1]
    decoder = frames.Decoder()
    assert decoder.feed(frame) == [body]
    assert (decoder.good, decoder.bad, decoder.oversized) == (1, 0, 0)


@given(st.lists(any_body, max_size=6), st.lists(st.integers(0, 1300), max_size=12))
def test_any_split_of_the_stream_gives_the_same_bodies(sent, cuts):
    stream = b"".join([frames.encode(b) for b in sent])
    edges = sorted({0, len(stream), *[c for c in cuts if c < len(stream)]})
    decoder = frames.Decoder()
    got = []
    for a, b in zip(edges, edges[1:], strict=False):
        got += decoder.feed(stream[a:b])
    assert got == sent


@given(st.binary(max_size=1500) | awkward, any_body, st.integers(1, 97))
def test_the_good_frame_after_garbage_is_understood(garbage, body, step):
    decoder = frames.Decoder()
    stream = garbage + frames.encode(body)
    got = []
    for at in range(0, len(stream), step):
        got += decoder.feed(stream[at : at + step])
    assert got[-1] == body
    # What is garbage passes for a frame only with the right CRC.
    assert all(frames.encode(g)[1:] in stream for g in got)


@given(any_body, st.data())
def test_a_truncated_frame_costs_itself_only(body, data):
    frame = frames.encode(body)
    cut = data.draw(st.integers(1, len(frame) - 2))
    decoder = frames.Decoder()
    assert decoder.feed(frame[:cut] + frames.encode(b"next")) == [b"next"]
    assert decoder.bad == (1 if cut > 1 else 0)


@given(any_body, any_body, st.data())
def test_interleaved_frames_are_dropped_and_the_next_is_understood(one, two, data):
    a, b = frames.encode(one)[1:-1], frames.encode(two)[1:-1]
    at = data.draw(st.integers(1, len(a) - 1))
    decoder = frames.Decoder()
    decoder.feed(b"\xc0" + a[:at] + b + a[at:] + b"\xc0")
    assert decoder.feed(frames.encode(b"next")) == [b"next"]
    assert decoder.bad + decoder.oversized == 1


@given(any_body, st.data())
def test_one_changed_byte_is_noticed(body, data):
    frame = bytearray(frames.encode(body))
    at = data.draw(st.integers(1, len(frame) - 2))
    frame[at] ^= data.draw(st.integers(1, 255))
    # A CRC-32 finds every burst of up to 32 bits; a new END or ESC makes it lose its place, which is found too.
    assert body not in frames.Decoder().feed(bytes(frame))


def test_an_oversized_frame_is_counted_once_and_never_kept():
    decoder = frames.Decoder()
    for _ in range(50):
        assert decoder.feed(b"a" * 400) == []
        assert len(decoder._tail) <= 800
    assert decoder.oversized == 1
    assert decoder.feed(b"rest" + frames.encode(b"next")) == [b"next"]
    assert decoder.feed(b"\xc0" + b"b" * 5000 + frames.encode(b"next")) == [b"next"]
    assert decoder.oversized == 2
    long = b"c" * (frames.BODY_MAX + 1)
    whole = b"\xc0" + long + binascii.crc32(long).to_bytes(4, "little") + b"\xc0"
    assert decoder.feed(whole + frames.encode(b"next")) == [b"next"]
    assert decoder.bad == 1


def test_a_body_that_is_too_long_is_refused():
    frames.encode(bytes(frames.BODY_MAX))
    try:
        frames.encode(bytes(frames.BODY_MAX + 1))
    except ValueError as error:
        assert "at most" in str(error)
    else:
        raise AssertionError("no error")
