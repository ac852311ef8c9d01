"""The settings table: every default fits, every limit holds, a blob comes back as it went."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_proto.messages import SENSES_MAX, SIDES_MAX
from shared_proto.settings import GROUPS, ROWS, SETTINGS, Values, conflict


def value_of(setting):
    """Strategy: any value that fits a row."""
    if setting.code.endswith("s"):
        return st.binary(max_size=int(setting.code[:-1])).map(lambda b: b.rstrip(b"\0"))
    number = st.integers(setting.low, setting.high)
    count = int(setting.code[:-1] or 1)
    return st.tuples(*[number] * count) if len(setting.code) > 1 else number


slots = st.sampled_from([(row, i) for row, s in enumerate(SETTINGS) for i in range(s.count)])


@st.composite
def some_values(draw):
    values = Values()
    for row, i in draw(st.lists(slots, max_size=12)):
        values.rows[row][i] = draw(value_of(SETTINGS[row]))
    return values


@pytest.mark.parametrize("name", ROWS)
def test_a_row_is_complete_and_its_default_fits(name):
    s = SETTINGS[ROWS[name]]
    assert s.group in GROUPS and s.help and s.help[0] != " " and not s.help.endswith(".")
    assert s.count == {"": 1, "side": SIDES_MAX, "sense": SENSES_MAX}[s.group]
    for value in Values().rows[ROWS[name]]:
        assert s.unpack(s.pack(value)) == value
    if not s.code.endswith("s"):
        # The limits themselves fit the code: nothing is cut short on the wire.
        struct.pack("<" + s.code, *[s.low] * int(s.code[:-1] or 1))
        struct.pack("<" + s.code, *[s.high] * int(s.code[:-1] or 1))
        assert s.low < s.high


def test_names_are_unique():
    assert len(ROWS) == len(SETTINGS) < 256


@pytest.mark.parametrize("name", [n for n, r in ROWS.items() if not SETTINGS[r].code.endswith("s")])
@given(data=st.data())
def test_limits_hold_in_both_directions(name, data):
    s = SETTINGS[ROWS[name]]
    count = int(s.code[:-1] or 1)
    values = Values()
    before = values.get(name)
    good = data.draw(value_of(s))
    outside = data.draw(st.integers(-(2**33), s.low - 1) | st.integers(s.high + 1, 2**33))
    at = data.draw(st.integers(0, count - 1))
    bad = (*good[:at], outside, *good[at + 1 :]) if isinstance(good, tuple) else outside
    with pytest.raises(ValueError, match="outside"):
        values.put(name, bad)
    assert values.get(name) == before
    try:
        packed = struct.pack("<" + s.code, *(bad if isinstance(bad, tuple) else (bad,)))
    except struct.error:
        pass
    else:
        with pytest.raises(ValueError, match="outside"):
            s.unpack(packed)
    values.put(name, good, s.count - 1)
    assert values.get(name, s.count - 1) == good


@given(slots, st.binary(max_size=40))
def test_bytes_from_the_wire_are_checked(slot, data):
    s = SETTINGS[slot[0]]
    try:
        value = s.unpack(data)
    except ValueError as error:
        assert "needs" in str(error) or "outside" in str(error)
    else:
        assert s.unpack(s.pack(value)) == value


def test_wrong_counts_and_names():
    values = Values()
    for bad in ((0,) * 10, (0,) * 12, 5):
        with pytest.raises(ValueError, match="needs 11 numbers"):
            values.put("side.curve", bad)
    with pytest.raises(ValueError, match="longer than 16"):
        values.put("rig", b"x" * 17)
    with pytest.raises(KeyError):
        values.put("ramp", 1)


@given(some_values())
def test_blob_round_trip(values):
    other = Values()
    other.from_blob(values.to_blob())
    assert other.rows == values.rows


@given(some_values(), st.data())
def test_a_blob_of_an_older_table_is_a_prefix(values, data):
    blob = values.to_blob()
    sizes = [struct.calcsize("<" + s.code) for s in SETTINGS for _ in range(s.count)]
    known = data.draw(st.integers(0, len(sizes)))
    other = Values()
    other.from_blob(blob[: sum(sizes[:known])])
    flat = [v for r in other.rows for v in r]
    assert flat[:known] == [v for r in values.rows for v in r][:known]
    assert flat[known:] == [v for r in Values().rows for v in r][known:]


def test_a_blob_of_a_newer_table_or_cut_inside_a_value_is_refused():
    blob = Values().to_blob()
    with pytest.raises(ValueError, match="this version knows"):
        Values().from_blob(blob + b"\x01\x02")
    with pytest.raises(ValueError, match="needs"):
        Values().from_blob(blob[:-9])  # cut inside the last current curve


def test_copies_are_independent():
    one = Values()
    two = one.copy()
    two.put("side.cells", 10, 1)
    assert (one.get("side.cells", 1), two.get("side.cells", 1)) == (0, 10)


# Our own scenario: two sides of ten cells, each sensed at five and at ten.
def rig(**puts):
    values = Values()
    values.put("rig", b"trike")
    for side in range(2):
        values.put("side.cells", 10, side)
    for n in range(4):
        values.put("sense.side", 1 + n // 2, n)
        values.put("sense.cells", (5, 10)[n % 2], n)
    for name, value in puts.items():
        name, _, index = name.partition("__")
        values.put(name.replace("_of_", "."), value, int(index or 0))
    return values


def test_no_conflict():
    assert conflict(Values()) == ""
    assert conflict(rig()) == ""
    assert conflict(rig(lever_tracks=1, lever_b_rest_mv=1375, lever_b_full_mv=125)) == ""  # a track that is not read


@pytest.mark.parametrize(
    ("puts", "words"),
    [
        ({"lever_a_full_mv": 849}, "lever track A"),
        ({"lever_b_full_mv": 275}, "lever track B"),
        ({"lever_a_rest_mv": 2750, "lever_a_full_mv": 250}, "lever track A: an end point with its margin is 0 mV"),
        ({"lever_b_rest_mv": 500, "lever_b_full_mv": 3100}, "lever track B: an end point with its margin is -60 mV"),
        ({"lever_b_rest_mv": 1375, "lever_b_full_mv": 125, "lever_margin_pm": 80}, "is 25 mV from a rail, and 30 is"),
        ({"cell_floor_mv": 3500, "cell_low_mv": 3500}, "must rise"),
        ({"cell_warn_mv": 3670}, "must rise"),
        ({"side_of_curve__1": (0, 200, 100, *range(300, 1001, 100))}, "side 2: the curve falls at its step 2"),
        ({"side_of_curve": (1, *range(100, 1001, 100))}, "side 1: the curve must begin at 0"),
        ({"sense_of_side__3": 3}, "sense input 4: the rig has no side 3"),
        ({"sense_of_cells__2": 11}, "sense input 3: 11 cells is above the top of side 2"),
        ({"sense_of_cells__1": 5}, "sense inputs 1 and 2: both at 5 cells of side 1"),
        ({"side_of_cells__1": 0}, "side 2: its cells are not stated"),
        ({"sense_of_side__3": 0}, "side 2: no sense input at its top, 10 cells"),
        ({"sense_of_kind__3": 1}, "side 2: no sense input at its top, 10 cells"),
        ({"sense_of_side__4": 1, "sense_of_kind__4": 1, "sense_of_side__6": 1, "sense_of_kind__6": 1},
         "sense inputs 5 and 7: both the pack negative of side 1"),
        ({"sense_of_side__4": 2, "sense_of_kind__4": 2, "sense_of_side__5": 2, "sense_of_kind__5": 2},
         "sense inputs 5 and 6: both the current sensor of side 2"),
        ({"sense_of_side__4": 3, "sense_of_kind__4": 2}, "sense input 5: the rig has no side 3"),
        ({"sense_of_against__0": 1}, "sense input 1: a sense point is read against ground"),
        ({"sense_of_side__4": 1, "sense_of_kind__4": 2, "sense_of_against__4": 1, "sense_of_side__7": 2,
          "sense_of_kind__7": 1}, "sense input 5: it is read against input 8, which must be left free"),
        ({"sense_of_side__7": 1, "sense_of_kind__7": 2, "sense_of_against__7": 1}, "input 8, which must be left free"),
        ({"fade_from_dmh": 400, "fade_to_dmh": 400, "wheel_mm": 2000}, "speed fade: its end"),
        ({"fade_from_dmh": 400, "fade_to_dmh": 500}, "it needs a wheel sensor"),
    ],
)  # fmt: skip
def test_what_contradicts_what(puts, words):
    assert words in conflict(rig(**puts))


def test_negative_and_sensor_of_a_side_are_no_points_of_its_ladder():
    extra = {"sense_of_side__4": 1, "sense_of_kind__4": 1, "sense_of_side__5": 1, "sense_of_kind__5": 2}
    assert conflict(rig(**extra)) == ""
    assert conflict(rig(**extra, sense_of_cells__4=5)) == ""  # cells mean nothing for them


def test_what_is_not_in_use_is_not_checked():
    falling = tuple(range(1000, -1, -100))
    assert conflict(rig(side_of_curve__2=falling)) == ""
    assert conflict(rig(lever_tracks=1, lever_b_full_mv=275)) == ""


@given(some_values())
def test_conflict_always_gives_one_sentence(values):
    said = conflict(values)
    assert isinstance(said, str) and "\n" not in said
