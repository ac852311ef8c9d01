"""Numbers of the box in plain words, also those of a newer box."""

import pytest
from fake_box import body_of

from barbox import proto, words
from barbox.records import Event, Status
from shared_proto import messages, settings, states

UNKNOWN = messages.NOT_KNOWN_MV
NOTHING_KNOWN = {
    "current_da": (UNKNOWN,) * 4, "charge_pm": (UNKNOWN,) * 4, "rest_cell_mv": UNKNOWN, "minutes_left": UNKNOWN,
}  # fmt: skip


def status(**fields) -> Status:
    return proto.unpack(body_of(messages.STATUS, **{**NOTHING_KNOWN, **fields}))


def event(number, a=0, b=0) -> Event:
    return proto.unpack(body_of(messages.EVENT, event=number, a=a, b=b))


LAYOUT = words.Layout(settings.Values())


def test_sections_are_the_cells_between_two_inputs():
    values = settings.Values()
    for n, (side, cells) in enumerate([(1, 10), (2, 12), (1, 4), (0, 7), (2, 0)]):
        values.put("sense.side", side, n)
        values.put("sense.cells", cells, n)
    left, right = words.Layout(values).sides
    assert left.sections == (words.Section(2, 4), words.Section(0, 6))
    assert right.sections == (words.Section(4, 0), words.Section(1, 12))


def test_a_lost_tap_makes_one_section_of_two():
    values = settings.Values()
    for n, (side, cells) in enumerate([(1, 5), (1, 10), (0, 0)]):
        values.put("sense.side", side, n)
        values.put("sense.cells", cells, n)
    layout = words.Layout(values)
    lost = status(sense_mv=(UNKNOWN, 40000) + (UNKNOWN,) * 6, section_mv=(UNKNOWN, 40000) + (UNKNOWN,) * 6)
    assert layout.volts(layout.sides[0], lost) == (40.0, [None, 40.0], [None, 4.0])
    assert any("10 cells: 40.00 V, 4.000 V a cell" in line for line in words.block(lost, layout))


def test_needed_settings_are_all_that_a_layout_reads():
    class Watched(settings.Values):
        seen = set()

        def get(self, name, index=0):
            self.seen.add(name)
            return super().get(name, index)

    words.Layout(Watched())
    assert Watched.seen <= set(words.NEEDED) <= set(settings.ROWS)


@pytest.mark.parametrize("cause", [*range(1, len(states.CAUSES)), 200])
def test_held_says_the_cause_and_the_way_out(cause):
    text = "\n".join(words.explain(status(state=states.HELD, cause=cause), LAYOUT))
    assert states.words(states.CAUSES, cause) in text and "to clear it: " in text
    if cause < len(states.CAUSES):
        assert states.CAUSES[cause][2] in text


def test_every_warning_bit_has_words_and_a_newer_one_says_so():
    text = words.explain(status(warnings=0xFFFF), LAYOUT)
    told = [t for t in text if t.startswith("warning: ")]
    assert len(told) == 16
    assert all(f"warning: {w[1]}" in told for w in states.WARNINGS)
    assert "unknown to this version" in told[-1]


@pytest.mark.parametrize("number", [*range(len(states.EVENTS)), 99])
@pytest.mark.parametrize("a", [0, 3, 999])
def test_every_event_has_words(number, a):
    text = words.event_text(event(number, a, 1))
    assert text and "\n" not in text
    if number == 99:
        assert text == f"#99: {a}, 1"


def test_event_words():
    assert words.event_text(event(states.EVENT_STATE, states.HELD, states.CAUSE_STOP_OPEN)) == (
        "now HELD: stop loop opened"
    )
    assert words.event_text(event(states.EVENT_STATE, states.READY)) == "now READY"
    assert words.event_text(event(states.EVENT_SENSE, 2, states.SENSE_OPEN)) == (
        "sense input 2: reads near nothing: sense fuse blown or wire broken"
    )


def test_clock():
    assert words.clock(0) == "  0:00.0"
    assert words.clock(3_723_990) == " 62:03.9"


def test_what_is_not_known_is_never_shown_as_a_voltage():
    unknown = (messages.NOT_KNOWN_MV,) * 8
    record = status(sense_mv=unknown, section_mv=unknown)
    for text in (words.line(record, LAYOUT), *words.block(record, LAYOUT)):
        assert "0.00 V" not in text and "+/-" not in text and "65." not in text
    assert words.line(record, LAYOUT).count("---- V") == 2
    assert [side["string_v"] for side in words.as_json(record, LAYOUT)["sides"]] == [None, None]


def test_without_cells_there_is_no_cell_voltage():
    record = status(sense_mv=(40000, 39000, 0, 0, 0, 0, 0, 0), section_mv=(40000, 39000, 0, 0, 0, 0, 0, 0))
    text = words.line(record, LAYOUT)
    assert "left    0 us 40.00 V +/- 1.50 V  |  right    0 us 39.00 V +/- 1.50 V" in text and "a cell" not in text


def test_the_identity_says_how_far_a_string_may_be_off_and_how_that_grows():
    who = proto.unpack(
        body_of(
            messages.IDENTITY,
            side_uncertainty_mv=(260, 270, 0, 0),
            side_growth_mv=(160, 0, 0, 0),
            side_drift_mv=(43,) * 4,
        )
    )
    layout = words.Layout(settings.Values(), who)
    mv = (49800, 49000, 0, 0, 0, 0, 0, 0)
    loaded = status(sense_mv=mv, section_mv=mv, current_da=(500, 500, 0, 0))
    # 50 A through what drops 0.16 V at 100 A; the other side's negative is sensed.
    assert "49.80 V +/- 0.34 V" in words.line(loaded, layout) and "49.00 V +/- 0.27 V" in words.line(loaded, layout)
    left, right = words.as_json(loaded, layout)["sides"]
    assert (left["uncertainty_v"], right["uncertainty_v"]) == (0.34, 0.27)
    assert (left["uncertainty_growth_v_at_100_a"], left["reference_drift_v"]) == (0.16, 0.043)
    dark = status(sense_mv=mv, section_mv=mv, current_da=(UNKNOWN,) * 4)
    told = "\n".join(words.block(dark, layout))
    assert "string 49.80 V (+/- 0.26 V, 95 %, 0.16 V more at 100 A)" in told
    assert "string 49.00 V (+/- 0.27 V, 95 %)" in told


def test_a_string_begins_at_its_negative_where_that_is_sensed():
    layout = words.Layout(trike_values())
    record = status(
        sense_mv=(18800, 37600, 200, 0, 37000, 0, 0, 0), section_mv=(19000, 18800, UNKNOWN, UNKNOWN, 37000, 0, 0, 0)
    )
    assert layout.volts(layout.sides[0], record)[0] == 37.8  # 37.6 V against box ground, 0.2 V above the negative


def trike():
    return words.Layout(trike_values())


def trike_values():
    values = settings.Values()
    for n, (side, cells, kind) in enumerate([(1, 5, 0), (1, 10, 0), (1, 0, 1), (1, 0, 2), (2, 10, 0)]):
        values.put("sense.side", side, n)
        values.put("sense.cells", cells, n)
        values.put("sense.kind", kind, n)
    values.put("wheel_mm", 1600)
    return values


def test_inputs_of_another_kind_are_no_sections():
    left, right = trike().sides
    assert left.sections == (words.Section(0, 5), words.Section(1, 5))
    assert left.others == ((2, "pack negative"), (3, "current sensor"))
    assert (right.sections, right.others) == ((words.Section(4, 10),), ())
    faults = (0, 0, 0, states.SENSE_SILENT, 0, 0, 0, 0)
    assert "sense input 4 (left, current sensor): its ADC does not answer" in words.explain(
        status(sense_fault=faults), trike()
    )


def test_what_is_known_of_the_use_is_shown():
    record = status(
        current_da=(452, UNKNOWN, 0, 0), charge_pm=(834, UNKNOWN, 0, 0), speed_dmh=321, minutes_left=18,
        rest_cell_mv=3712, supply_mv=4980,
    )  # fmt: skip
    line = words.line(record, trike())
    assert "45.2 A 83 % left" in line and line.endswith("|  32.1 km/h  |  18 min left")
    assert line.count(" A ") == 1
    block = words.block(record, trike())
    assert "    45.2 A, 83 % left" in block
    assert (
        "  speed 32.1 km/h, 18 min left at the present use, weakest section at rest 3.71 V a cell, "
        "supply of the lever 4.98 V"
    ) in block
    told = words.as_json(record, trike())
    assert [s["current_a"] for s in told["sides"]] == [45.2, None]
    assert [s["charge_percent"] for s in told["sides"]] == [83.4, None]
    assert [told[k] for k in ("speed_km_h", "rest_cell_v", "time_left_min", "supply_v")] == [32.1, 3.712, 18, 4.98]


def test_what_is_not_known_of_the_use_is_not_shown():
    for text in (words.line(status(), LAYOUT), *words.block(status(), LAYOUT)):
        assert not any(unit in text for unit in (" A", "km/h", " min", "left at", "6553", "supply", "at rest"))
    told = words.as_json(status(), LAYOUT)
    assert [told[k] for k in ("speed_km_h", "rest_cell_v", "time_left_min", "supply_v")] == [None] * 4
    assert words.as_json(status(), trike())["speed_km_h"] == 0  # a fitted sensor that stands still


def test_a_bench_run_is_told_with_the_end_of_its_last_step():
    during = status(state=states.BENCH, bench_phase=states.BENCH_WAITING, bench_end=states.ENDED_FLOOR)
    told = words.explain(during, LAYOUT)
    assert f"bench run: {states.words(states.BENCH_PHASES, states.BENCH_WAITING)}" in told
    assert "the last bench step ended: a section is at its floor" in told
    assert words.as_json(during, LAYOUT)["bench_end_name"] == "FLOOR"
    assert words.event_text(event(states.EVENT_BENCH_STEP, states.BENCH_WITHHOLD << 8 | 2, 250)) == (
        "bench step: WITHHOLD, side 2, 25.0 % of the pulse span"
    )
    assert "all sides" in words.event_text(event(states.EVENT_BENCH_STEP, 0, 1000))
    assert "after 2.5 s: let go" in words.event_text(event(states.EVENT_BENCH_END, states.ENDED_RELEASED, 2500))
