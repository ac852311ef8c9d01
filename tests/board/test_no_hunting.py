"""Once cutback acts, thrust does not swing: the real firmware against strings of little and much resistance.

The string's own resistance turns thrust into voltage at once and a fan follows late, so a cutback that gives back
what it took would swing. Steady means, of the demand that the box tells 25 times a second under a lever that has been
still for three seconds: it turns once at the most, from a rise to a fall as the string runs down, where a turn is one
of more than 20 per mille. Down and up again, or up and down and up, is hunting.
"""

from dataclasses import replace

import pytest
from bench_host import IDLE_US, Host, arm, make_box, quick_values

from barbox.demo.ride import example_rig
from barbox.demo.truth import Truth
from barbox.sim.board import LEFT, RIGHT

SETTLED_S, SWING_PM = 3.0, 20
FLOOR_V, SLACK_V, SLACK_S = 3.30, 0.05, 0.5


def plant_of(string_mohm, charge):
    """The example rig with strings of this series resistance in mid-charge; slower parts in proportion."""
    spec = example_rig().plant_spec()
    return replace(spec, sides=tuple(tired(side, string_mohm, charge) for side in spec.sides))


def tired(side, string_mohm, charge):
    sections = [replace(s, resistance_mohm_per_cell=string_mohm / 10, charge=charge) for s in side.sections]
    return replace(side, sections=tuple(sections))


def turns(demands):
    """Directions in order, "up" and "down", of all movements larger than SWING_PM."""
    low = high = demands[0]
    found = []
    for demand in demands:
        low, high = min(low, demand), max(high, demand)
        if demand - low > SWING_PM and found[-1:] != ["up"]:
            found.append("up")
        elif high - demand > SWING_PM and found[-1:] != ["down"]:
            found.append("down")
        if found[-1:] == ["up"] and demand == high:
            low = demand
        elif found[-1:] == ["down"] and demand == low:
            high = demand
    return found


def test_a_swing_is_seen_and_a_slope_is_none():
    assert turns([500, 540, 490, 545]) == ["up", "down", "up"]
    assert turns([545, 490, 540]) == ["down", "up"]
    assert turns(range(900, 300, -7)) == ["down"] and turns(range(300, 900, 7)) == ["up"]
    assert turns([*range(300, 900, 7), *range(900, 300, -7)]) == ["up", "down"]
    assert turns([600, 610, 600, 612, 595] * 20) == []


FULL, CRUISE = ((1000, 25),), ((600, 25),)
STEPS = ((1000, 8), (400, 6), (1000, 8), (700, 8))
CREEP = ((300, 6), (500, 6), (700, 6), (1000, 12))
RUNS = [
    (5, 0.03, FULL), (5, 0.025, CRUISE), (5, 0.03, STEPS),
    (15, 0.06, FULL), (15, 0.10, STEPS),
    (40, 0.10, CRUISE), (40, 0.30, FULL), (40, 0.30, CREEP),
    (80, 0.30, FULL), (80, 0.70, STEPS),
    (150, 0.95, FULL), (150, 0.50, CRUISE), (150, 0.50, CREEP),
]  # fmt: skip


@pytest.mark.parametrize("string_mohm, charge, lever", RUNS)
def test_cutback_does_not_hunt(string_mohm, charge, lever):
    with make_box(quick_values(stream_hz=25), plant=plant_of(string_mohm, charge)) as box, Host(box) as host:
        truth = Truth()
        host.ride(0.5)
        arm(box)
        acted = False
        for lever_pm, seconds in lever:
            box.move_lever(lever_pm)
            host.ride(SETTLED_S)
            begun = len(host.statuses)
            for _ in range(round((seconds - SETTLED_S) / 0.1)):
                host.ride(0.1)
                truth.sample(box, box.now_s)
            still = host.statuses[begun:]
            acted |= "CUTBACK" in host.warnings
            demands = [s.demand_pm for s in still]
            assert turns(demands) in ([], ["up"], ["down"], ["up", "down"]), demands[::10]
        assert acted, "cutback never acted: nothing was shown"
        assert host.state == "DRIVING" and host.status.overruns == 0
        assert truth.longest_below(FLOOR_V - SLACK_V) <= SLACK_S


@pytest.mark.parametrize("weak", [LEFT, RIGHT])
def test_a_rig_that_opts_out_eases_the_weak_side_alone(weak):
    """It comes up slowly near its knee, does not hunt, and is not taken for a side that does not pull."""
    spec = example_rig().plant_spec()
    sides = list(spec.sides)
    sides[weak] = tired(sides[weak], 60, 0.15)
    values = quick_values(stream_hz=25, together=0)
    with make_box(values, plant=replace(spec, sides=tuple(sides))) as box, Host(box) as host:
        truth = Truth()
        host.ride(0.5)
        arm(box)
        box.move_lever(1000)
        while box.now_s < 25:
            host.ride(0.1)
            truth.sample(box, box.now_s)
        strong, eased = ([width for rise, width in box.pulses(side) if rise > 12e6] for side in (1 - weak, weak))
        assert min(strong) == values.get("side.full_us", 1 - weak)
        assert min(eased) > IDLE_US and max(eased) < 0.9 * max(strong)
        assert turns([width - IDLE_US for width in eased]) in ([], ["up"], ["down"], ["up", "down"])
        assert host.state == "DRIVING" and host.limit == "CUTBACK" and "SIDE" not in host.warnings
        assert truth.longest_below(FLOOR_V - SLACK_V) <= SLACK_S
