"""ESC and fan: each hazard of that section, at the moments where it makes sense."""

from dataclasses import replace

import pytest
from bench_host import FRAME_US, Host, above_idle, arm, make_box, us
from moments import NO_THRUST_YET, SIDES, Run, at

from barbox.demo.ride import example_rig
from barbox.sim.board import LEFT, RIGHT
from barbox.sim.plant import esc
from shared_proto import states

NOTICED_MS = 1300  # a string that rises, and a fan that runs down
PULL_MS = 2600  # a side that does not pull from the beginning of the pull
HOLD_S = 0.25  # of the example rig's ESCs
LATER = {"cutback": "as cruise"}


def with_escs(**how):
    """The plant of the example rig with other ESCs."""
    spec = example_rig().plant_spec()
    return replace(spec, sides=tuple(replace(s, esc=replace(s.esc, **how)) for s in spec.sides))


def stops_pulling(moment, action, more_ms=0):
    """A side no longer pulls: the other is eased, it is told and shown, and the lever at rest is the way out."""
    noticed_ms = (PULL_MS if moment == "pulling away" else NOTICED_MS) + more_ms
    with Run(moment, doubt_ms=noticed_ms) as run:
        run.strike(action, seconds=noticed_ms / 1000 + 0.7)
        run.told_within(noticed_ms, "LIMIT", a=states.LIMIT_SIDE)
        run.eased_to(0, noticed_ms)
        run.idle_within(noticed_ms + 400)
        run.shown("SIDE")
        run.ride(1)
        assert not above_idle(run.box, LEFT, us(run.box) - 1_000_000)  # until the lever has been at rest
        run.box.move_lever(0)
        run.ride(0.5)
        assert run.host.state == "READY" and "SIDE" not in run.host.warnings


@pytest.mark.parametrize("side", SIDES)
@at("pulling away", "cruise", "full thrust", but={**NO_THRUST_YET, **LATER})
def test_signal_wire_broken(moment, side):
    stops_pulling(moment, lambda box: box.cut_signal_wire(side), HOLD_S * 1000)


@pytest.mark.parametrize("side", SIDES)
@at("pulling away", "cruise", "full thrust", but={**NO_THRUST_YET, **LATER})
def test_fan_dead_on_one_side(moment, side):
    stops_pulling(moment, lambda box: box.plant.kill_fan(side))


@pytest.mark.parametrize("side", SIDES)
@at("pulling away", "cruise", "full thrust", but={**NO_THRUST_YET, **LATER})
def test_esc_re_started_in_mid_ride(moment, side):
    stops_pulling(moment, lambda box: box.plant.restart_esc(side))


@at("cruise", "full thrust", but={**NO_THRUST_YET, **LATER, "pulling away": "as full thrust"})
def test_esc_holds_its_last_command_without_pulses(moment):
    """What is done on purpose goes on with idle pulses and does not hang on it; what kills the box does."""
    slow = with_escs(hold_s=2.0)
    with Run(moment, plant=slow) as run:
        before_n = run.box.thrust_n(LEFT)
        run.strike(lambda box: box.open_stop_loop(), seconds=1.5)
        run.idle_within(25)
        assert run.box.thrust_n(LEFT) < 0.1 * before_n
    with Run(moment, plant=slow) as run:
        before_n = run.box.thrust_n(LEFT)
        run.strike(lambda box: box.stall_processor(60), seconds=0.9)
        run.idle_within(100 + FRAME_US / 1000, pulses_go_on=False)
        assert run.box.thrust_n(LEFT) > 0.7 * before_n  # no firmware can: hence the cap of an unproved side
        run.ride(1.5)  # the watchdog, and the idle pulses of the box that has started again
        assert [cause for _, cause in run.box.resets] == ["watchdog"]
        assert run.box.thrust_n(LEFT) < 0.2 * before_n


def test_esc_in_end_point_learning():
    """Power comes on for all at once, lever at full: the ESCs see idle and nothing else."""
    with make_box(plant=with_escs(learns_end_points=True), boot_s=1.2) as box, Host(box) as host:
        box.move_lever(1000)
        for _ in range(60):
            host.ride(0.1)
            assert esc.LEARNING not in {box.plant.esc_state(side) for side in SIDES}
        assert {box.plant.esc_state(side) for side in SIDES} == {esc.RUNNING}
        assert host.waits in ("STOP_TEST", "LEVER_REST")


def test_esc_powered_up_late():
    """Armed and lever open while the ESCs have no supply yet, which the sense wires above the main plug do not show."""
    with make_box(plant=with_escs(learns_end_points=True)) as box, Host(box) as host:
        for side in SIDES:
            box.plant.lose_string(side)
        host.ride(0.5)
        arm(box)
        host.ride(1.2)
        box.move_lever(1000)
        pulled_us = us(box)
        host.ride(4)
        assert (host.state, host.limit) == ("DRIVING", "SIDE") and "SIDE" in host.warnings
        last_us = max(rise + width for rise, width in above_idle(box, LEFT, pulled_us))
        # The ramp passes the demand that is judged, 2 s, and down the ramp again.
        assert last_us - pulled_us <= 3_600_000
        for side in SIDES:
            box.plant.restore_string(side)
        host.ride(4)
        assert box.thrust_n(LEFT) == box.thrust_n(RIGHT) == 0  # lever still open
        assert {box.plant.esc_state(side) for side in SIDES} == {esc.RUNNING}  # saw idle, learnt nothing
        box.move_lever(0)
        host.ride(1)
        box.move_lever(600)
        host.ride(4)
        assert box.thrust_n(LEFT) > 10 and box.thrust_n(RIGHT) > 10


@at("cruise", "full thrust", but={**NO_THRUST_YET, **LATER, "pulling away": "a pack just charged is far above it"})
def test_esc_s_own_cutoff_on(moment):
    """It stops in mid-ride at a voltage that it holds for empty: noticed, not prevented."""

    def cutoff_reached(box):
        its = box.plant._sides[RIGHT].esc
        its._spec = replace(its._spec, cutoff_v=box.plant.esc_voltage_v(RIGHT) + 0.1)

    stops_pulling(moment, cutoff_reached)
