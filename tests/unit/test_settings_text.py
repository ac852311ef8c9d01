"""Settings as people write them: names, values, files."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.errors import UserError
from barbox.settings_text import as_json, as_text, find, from_file, from_json, limits, parse, put_all, slots, to_file
from shared_proto.settings import SETTINGS, Values

ALL = list(slots())


@st.composite
def settings_values(draw):
    slot = draw(st.sampled_from(ALL))
    s = slot.setting
    if s.code[-1] == "s":
        letters = st.characters(min_codepoint=32, max_codepoint=126)
        return slot, draw(st.text(letters, max_size=int(s.code[:-1]))).encode()
    number = st.integers(s.low, s.high)
    return slot, draw(number) if len(s.code) == 1 else tuple(draw(number) for _ in range(int(s.code[:-1])))


def test_there_is_one_name_for_each_place_in_the_table():
    names = [s.name for s in ALL]
    assert len(set(names)) == len(names) == sum(s.count for s in SETTINGS)
    assert {"ramp_up_ms", "side1.cells", "sense8.nv_per_count", "side4.curve"} <= set(names)


def test_names_find_their_place_by_number_and_by_side():
    assert find("side2.cells") == find("right.cells", ["left", "right"])
    assert find("sense3.nv_per_count").index == 2
    assert find("ramp_up_ms").setting.unit == "ms"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("ramp_up", "ramp_up is not a setting; did you mean ramp_up_ms?"),
        ("left.cels", "left.cels is not a setting; did you mean left.cells?"),
        ("sense9.side", "sense9.side is not a setting; did you mean sense8.side?"),
        ("xyzzy", "xyzzy is not a setting; `barbox settings show` lists them all"),
        ("", " is not a setting; `barbox settings show` lists them all"),
    ],
)
def test_an_unknown_name_is_a_sentence(name, said):
    with pytest.raises(UserError) as caught:
        find(name, ["left", "right"])
    assert str(caught.value) == said


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("ramp_up_ms", "99", "ramp_up_ms: 99 is outside 500..20000 ms"),
        ("ramp_up_ms", "2.5", 'ramp_up_ms: "2.5" is not a whole number; write a whole number in 500..20000 ms'),
        ("ramp_up_ms", "", 'ramp_up_ms: "" is not a whole number; write a whole number in 500..20000 ms'),
        ("ramp_up_ms", "1,2", "ramp_up_ms: [1, 2] is not a whole number; write a whole number in 500..20000 ms"),
        ("side1.curve", "0,1", "side1.curve: needs 11 numbers, got 2"),
        ("side1.curve", "0", "side1.curve: needs 11 numbers, got 1"),
        (
            "side1.curve",
            "0,a",
            'side1.curve: "a" is not a whole number; write 11 whole numbers in 0..1000 per mille, separated by commas',
        ),
        ("side1.name", "a-name-much-too-long", "side1.name: longer than 12 bytes"),
        ("side1.name", "größe", "side1.name: 'größe' is not plain text; write at most 12 plain letters"),
        ("sense1.offset_mv", "-32001", "sense1.offset_mv: -32001 is outside -32000..32000 mV"),
    ],
)
def test_a_bad_value_is_a_sentence(name, text, said):
    slot = find(name)
    with pytest.raises(UserError) as caught:
        value = parse(slot, text)
        slot.setting.pack(value)
    assert str(caught.value) == said


@given(settings_values())
def test_text_and_json_come_back_as_they_were(one):
    slot, value = one
    assert parse(slot, as_text(value)) == value
    assert from_json(slot, as_json(value)) == value


@given(st.lists(settings_values(), max_size=8))
def test_a_file_comes_back_as_it_was(pairs):
    values = put_all(Values(), dict(pairs))
    again = put_all(Values(), from_file(to_file(values, "about\nit").encode(), "file"))
    assert again.rows == values.rows


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"ramp_up_ms = 99", "f.toml: ramp_up_ms: 99 is outside 500..20000 ms"),
        (b"stream_hz = '20'", "f.toml: stream_hz: '20' is not a whole number; write a whole number in 1..25 Hz"),
        (b"ramp_up = 2000", "f.toml: ramp_up is not a setting; did you mean ramp_up_ms?"),
        (b"side1.cells = true", "f.toml: side1.cells: True is not a whole number; write a whole number in 0..14"),
        (b"side1 = 5", None),
        (b"", "f.toml: holds no setting; `barbox settings save` writes such a file"),
        (b"\xff", None),
        (b"x =", None),
    ],
)
def test_a_bad_file_is_a_sentence(data, said):
    with pytest.raises(UserError) as caught:
        from_file(data, "f.toml")
    assert str(caught.value).startswith("f.toml: ")
    assert said is None or str(caught.value) == said


def test_limits_in_short():
    assert limits(find("ramp_up_ms").setting) == "500..20000"
    assert limits(find("side1.curve").setting) == "11 x 0..1000"
    assert limits(find("side1.name").setting) == "text, 12"
