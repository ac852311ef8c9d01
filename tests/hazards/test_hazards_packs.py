"""Packs: each hazard of that section, where it makes sense."""

from dataclasses import replace

import pytest
from bench_host import Host, arm, make_box, quick_values
from moments import NO_THRUST_YET, SIDES, Run, at

from barbox.demo.ride import example_rig
from barbox.sim.board import LEFT, RIGHT
from shared_proto import states

STEADY = ("pulling away", "cruise", "full thrust")
EASED_ALREADY = {**NO_THRUST_YET, "cutback": "eased already, by another section"}
FLOOR_V, SLACK_V = 3.30, 0.05


def warned(run):
    return run.warnings_since_strike()


def with_cells(*counts):
    """The plant of the example rig with other cell counts than its sheet states; sections lowest first."""
    spec = example_rig().plant_spec()
    sides = []
    for side, cells in zip(spec.sides, counts, strict=True):
        sections = tuple(replace(s, cells=n) for s, n in zip(side.sections, cells, strict=True))
        sides.append(replace(side, sections=sections))
    return replace(spec, sides=tuple(sides))


def refused(host, box, wait):
    """The whole arming order, in vain: the reason is told and shown, and no pulse was above idle."""
    assert (host.state, host.waits) == ("LOCKED", wait)
    assert {width for side in SIDES for _, width in box.pulses(side)} == {1000}


def test_low_at_power_up():
    with make_box() as box, Host(box) as host:
        box.plant.weaken_section(LEFT, 0, charge=0.0)
        host.ride(1)
        arm(box)
        box.move_lever(1000)
        host.ride(3)
        refused(host, box, "PACK_LOW")
        assert "charge packs" in " ".join(box.screen_text())
        # A little above its floor it may go, with a warning before anything turns.
        box.move_lever(0)
        box.plant.weaken_section(LEFT, 0, charge=0.06)
        host.ride(10)
        assert "VERY_LOW" in host.warnings
        arm(box)
        host.ride(0.3)
        assert host.state == "READY"


@at(*STEADY, but=EASED_ALREADY)
def test_low_under_load_only(moment):
    def half_empty(box):
        box.weaken_section(LEFT, 0, charge=0.6)

    with Run(moment, prepare=half_empty, rises=moment == "pulling away") as run:
        run.strike(lambda box: box.weaken_section(LEFT, 0, resistance_factor=7.0), seconds=4)
        if moment == "cruise":
            assert run.host.state == "DRIVING"  # the floor is far at half thrust
        else:
            assert "CUTBACK" in warned(run)
            run.told_within(2000 if moment == "pulling away" else 600, "LIMIT", a=states.LIMIT_CUTBACK)
            assert 50 < run.host.status.demand_pm < 900
        assert "SENSE" not in warned(run) and run.host.state == "DRIVING"


@pytest.mark.parametrize("side, section, number", [(LEFT, 0, 1), (RIGHT, 1, 6)])
@pytest.mark.parametrize("phase_ms", [0, 50, 100, 160])  # of the round of the ADC's channels and of the estimator's
@at("full thrust", but={**EASED_ALREADY, "pulling away": "as full thrust, a second later", "cruise": "see demo"})
def test_one_section_weak(moment, phase_ms, side, section, number):
    with Run(moment) as run:
        # Cutback settles at about half of the thrust, well below what makes it deep.
        run.strike(
            lambda box: box.weaken_section(side, section, charge=0.12, resistance_factor=2.5),
            phase_us=phase_ms * 1000, seconds=3,
        )  # fmt: skip
        # Which section it is shows once both of its sense points have been read under the new load.
        run.told_within(600, "WARNING_ON", a=states.WARN_CUTBACK.bit_length() - 1)
        run.told_within(1000, "WARNING_ON", a=states.WARN_VERY_LOW.bit_length() - 1, b=number)
        assert run.host.status.weakest == number
        run.host.ride(3)
        assert 50 < run.host.status.demand_pm < 950


@at("cruise", "full thrust", but={**EASED_ALREADY, "pulling away": "a weak side slows the ramp from the beginning"})
def test_one_side_weak(moment):
    def tire(box):
        for section in (0, 1):
            box.weaken_section(RIGHT, section, resistance_factor=6.0)

    def empty(box):
        for section in (0, 1):
            box.weaken_section(RIGHT, section, charge=0.5)

    with Run(moment, prepare=empty) as run:
        run.strike(tire, seconds=4)
        if moment != "cruise":
            run.told_within(2000, "LIMIT", a=states.LIMIT_CUTBACK)
        assert run.host.state == "DRIVING"


@pytest.mark.parametrize("side", [LEFT, RIGHT])
@at("pulling away", "full thrust", "cruise", but=EASED_ALREADY)
def test_string_lost_at_full_thrust(moment, side):
    # While pulling away a side is judged 2 s into the pull.
    noticed_ms = 2600 if moment == "pulling away" else 1300
    with Run(moment, doubt_ms=noticed_ms) as run:
        run.strike(lambda box: box.plant.lose_string(side), seconds=4)
        run.told_within(noticed_ms, "LIMIT", a=states.LIMIT_SIDE)
        run.eased_to(0, noticed_ms)
        run.idle_within(noticed_ms + 400)
        run.shown("SIDE")


def test_wrong_cell_count():
    # A cell too few in one section, and a cell too many that passes for a full pack, are told by their neighbours.
    for cells, charge, number in ((((5, 4), (5, 5)), 0.9, 2), (((5, 5), (6, 5)), 0.05, 5)):
        with make_box(plant=with_cells(*cells)) as box, Host(box) as host:
            for side in SIDES:
                box.plant.set_charge(side, charge)
            host.ride(5)
            assert "UNEVEN" in host.warnings
            assert [e.b for e in host.events_of("WARNING_ON") if states.WARNINGS[e.a][0] == "UNEVEN"] == [number]
            shown = set()
            for _ in range(16):
                host.ride(0.5)
                shown |= set(box.screen_text())
            assert f"UNEVEN {number}" in shown
    # Full, a cell too many is more than its cells could ever give.
    with make_box(plant=with_cells((5, 5), (6, 5))) as box, Host(box) as host:
        host.ride(1)
        arm(box)
        host.ride(0.5)
        assert host.status.sense_fault[4] == states.SENSE_HIGH or host.waits == "PACK_HIGH"
        assert "UNEVEN" in host.warnings or "SENSE" in host.warnings


@pytest.mark.parametrize("section", [0, 1])
def test_over_voltage(section):
    with make_box() as box, Host(box) as host:
        box.plant.weaken_section(LEFT, section, charge=1.1)
        host.ride(1)
        arm(box)
        box.move_lever(1000)
        host.ride(2)
        refused(host, box, "PACK_HIGH")
        assert "OVER_VOLTAGE" in host.warnings


def test_packs_swapped_between_sides():
    """While the box is off: each side then shows what its string has, not what the box remembers of the other."""
    with make_box(quick_values()) as box, Host(box) as host:
        box.plant.set_charge(LEFT, 0.9)
        box.plant.set_charge(RIGHT, 0.4)
        host.ride(8)
        before = host.status.charge_pm[:2]
        box.power_off()
        box.plant.swap_packs(LEFT, RIGHT)
        box.advance(5)
        box.power_on()
        host.ride(8)
        after = host.status.charge_pm[:2]
        for was, now in zip(before, reversed(after), strict=True):
            assert abs(was - now) <= 100  # each side has dividers of its own
        assert after[0] < after[1]


def test_one_cell_weak_inside_a_section():
    """A mean hides it. The allowance keeps a cell above the floor that is 1 % smaller than the four beside it, however
    long full thrust is asked for and all warnings are ridden over; one that is 5 % smaller it does not."""
    lowest_v = {}
    for smaller_percent in (1, 5):
        left = 0.08  # of the others' charge; the small one has given the same ampere hours since all were full
        own = max(0.0, 1 - (1 - left) / (1 - smaller_percent / 100))
        with make_box(quick_values()) as box, Host(box) as host:
            for side in SIDES:
                box.plant.set_charge(side, left)
            box.plant.weaken_cell(LEFT, 0, capacity_factor=1 - smaller_percent / 100, charge=own)
            host.ride(0.5)
            arm(box)
            box.move_lever(1000)
            lowest_v[smaller_percent] = 9.0
            for _ in range(240):
                host.ride(0.5)
                cells = [group.voltage_v / group.cells for group in box.plant.sections(LEFT)[0].groups]
                lowest_v[smaller_percent] = min(lowest_v[smaller_percent], *cells)
            assert {"LOW", "VERY_LOW", "CUTBACK"} <= {
                states.WARNINGS[e.a][0] for e in host.events_of("WARNING_ON")
            }
    assert lowest_v[1] >= FLOOR_V
    assert lowest_v[5] < FLOOR_V - SLACK_V  # only a monitor on the balance leads sees it
