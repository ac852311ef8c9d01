"""Lever, button, stop loop and brake: each hazard of that section, at each moment of a ride.

Wires fail 7 ms into a frame, the stop loop opens at several phases of it. The limits of time are the box's own.
"""

import pytest
from bench_host import FRAME_US, quick_values
from moments import ALL, NO_THRUST_YET, SIDES, UNDER_THRUST, Run, at

LEVER_MS = 100  # lever wire open or shorted to idle
STOP_MS = 25  # stop loop opened to idle: the hard interrupt and one frame
PHASE_US = 7_000


def lever_fault(moment, action, *causes, busiest=False):
    """Idle within 100 ms, HELD and told; before READY, not armed."""
    with Run(moment, busiest=busiest) as run:
        run.strike(action, phase_us=PHASE_US)
        run.idle_within(LEVER_MS)
        if moment == "arming":
            run.locked("LEVER_REST")
            run.ride(1)
            run.never_armed()
        else:
            run.held(*causes)
            run.told_within(LEVER_MS, "STATE")


@pytest.mark.parametrize("wire", ["a", "b", "ab"])
@at(*ALL)
def test_lever_wire_open(moment, wire):
    lever_fault(moment, lambda box: box.cut_lever_wire(wire), "LEVER_RANGE", busiest=wire == "a")


@pytest.mark.parametrize("wire", ["a", "b", "ab"])
@at(*ALL)
def test_lever_ground_open(moment, wire):
    lever_fault(moment, lambda box: box.cut_lever_ground(wire), "LEVER_RANGE", "LEVER_TRACKS")


@pytest.mark.parametrize("rail_mv", [0, 3300])
@pytest.mark.parametrize("wire", ["a", "b", "ab"])
@at(*ALL)
def test_lever_shorted_to_a_rail(moment, wire, rail_mv):
    busiest = (wire, rail_mv) == ("b", 3300)
    lever_fault(moment, lambda box: box.short_lever_wire(wire, rail_mv), "LEVER_RANGE", busiest=busiest)


@at(*ALL)
def test_lever_tracks_shorted_together(moment):
    lever_fault(moment, lambda box: box.join_lever_tracks(), "LEVER_TRACKS", "LEVER_RANGE")


@pytest.mark.parametrize("where", ["at the lever", "of all"])
@at(*ALL)
def test_lever_supply_off(moment, where):
    """Halls without supply give nothing, whether or not the box senses the supply."""
    off = (lambda box: box.switch_off_lever_supply()) if where == "at the lever" else (lambda box: box.set_supply_v(0))
    lever_fault(moment, off, "LEVER_RANGE")


@at(*ALL)
def test_lever_supply_weak(moment):
    """Where it is sensed and has a limit: eased, then HELD."""
    with Run(moment, quick_values(supply_min_mv=4500), doubt_ms=60) as run:  # three steps to be sure
        run.strike(lambda box: box.set_supply_v(4.3), phase_us=PHASE_US)
        run.eased_to(0, told_within_ms=80)
        if moment == "arming":
            run.locked("SUPPLY")
            run.never_armed()
        else:
            run.held("SUPPLY")


@at("arming", but=dict.fromkeys(("ready", *UNDER_THRUST), "of power-up; later it is `lever does not spring back`"))
def test_lever_stuck_part_way_at_power_up(moment):
    with Run(moment) as run:
        run.strike(lambda box: None, seconds=0.05)
        run.box.release_arm_button()
        run.power_again(lambda box: (box.move_lever(150), box.stick_lever(), box.move_lever(0)))
        run.arming_order()
        run.locked("LEVER_REST")
        run.shown("bring the lever to rest")
        run.never_armed()
        run.box.free_lever()
        run.box.move_lever(0)
        run.arming_order()
        assert run.host.state == "READY"


@pytest.mark.parametrize("wire", ["a", "b", "ab"])
@at(*UNDER_THRUST, but=dict.fromkeys(NO_THRUST_YET, "at rest it is `lever wire open`"))
def test_lever_intermittent(moment, wire):
    """A wire that opens for less than half a frame now and then is ridden on: no two steps are so close that both could
    see it. One that is open half of the time is not."""
    with Run(moment, rises=True) as run:
        run.strike(lambda box: box.loosen_lever_wire(wire, every_s=0.13, open_s=0.009, for_s=2.0), seconds=2.2)
        assert run.host.state == "DRIVING"
        fewest_us = min(width for _, width in run.pulses_after_strike(SIDES[0]))
        assert fewest_us > 1000
    with Run(moment) as run:
        run.strike(lambda box: box.loosen_lever_wire(wire, every_s=0.1, open_s=0.06, for_s=2.0), seconds=1)
        run.idle_within(LEVER_MS)
        run.held("LEVER_RANGE")


@at("ready", "cruise", "full thrust", but={
    "arming": "a track that is off then is no lever at rest: `lever stuck part way at power-up`",
    "pulling away": "too short for a slow drift", "cutback": "the lever's demand is not what limits",
})  # fmt: skip
@pytest.mark.parametrize("mv_per_s", [-100, 100])
@pytest.mark.parametrize("track", ["a", "b"])
def test_lever_drifts_slowly(moment, track, mv_per_s):
    """Until the tracks disagree, the lower one counts: thrust may fall, never rise."""
    with Run(moment) as run:
        run.strike(lambda box: box.drift_lever(track, mv_per_s), seconds=4.5)
        run.idle_within(4000)
        run.held("LEVER_TRACKS", "LEVER_RANGE")


@pytest.mark.parametrize("track", ["a", "b"])
@at(*ALL)
def test_lever_tracks_disagree(moment, track):
    """A slipped magnet: one track jumps by 300 mV."""
    jump = {"a": (550, 2200), "b": (275, 1100)}[track]
    at_pm = {"arming": 0, "ready": 0, "cruise": 500}.get(moment, 1000)
    mv = jump[0] + jump[1] * at_pm / 1000 + (300 if at_pm < 1000 else -300)
    lever_fault(moment, lambda box: box.short_lever_wire(track, mv), "LEVER_TRACKS", "LEVER_RANGE")


@at("pulling away", "cruise", "full thrust", "cutback", but=NO_THRUST_YET)
def test_lever_does_not_spring_back(moment):
    """A lever that stays is a rider who holds it, for as long as it lasts; the stop loop ends it, and it must be seen
    at rest before anything else."""
    with Run(moment, rises=True) as run:
        box = run.box
        run.strike(lambda box: (box.stick_lever(), box.move_lever(0)), seconds=20 if moment == "cruise" else 2)
        assert run.host.state == "DRIVING" and run.above_idle()
        opened_us = round(box.now_s * 1e6) + PHASE_US
        box.after(PHASE_US / 1e6, box.open_stop_loop)
        run.ride(0.5)
        assert max(rise + width for rise, width in run.above_idle()) <= opened_us + 1000 * STOP_MS
        box.close_stop_loop()
        run.ride(0.2)
        box.press_arm_button()
        run.ride(0.5)
        box.release_arm_button()
        run.held("STOP_OPEN")
        assert not run.above_idle(since_us=opened_us + 1000 * STOP_MS)


@pytest.mark.parametrize("seed", range(3))
@at(*ALL)
def test_lever_shaken_by_vibration(moment, seed):
    """20 mV of noise at each pin is ridden on and never adds more than itself; 250 mV is a fault of the lever."""
    with Run(moment, rises=True, seed=seed) as run:
        run.strike(lambda box: box.shake_lever(20), seconds=2)
        if moment in NO_THRUST_YET:  # a lever that shakes out of its dead band may put off arming
            assert not run.above_idle(since_us=0) and run.host.state in ("LOCKED", "READY")
        else:
            assert run.host.state == "DRIVING"
        if moment == "cruise":
            demands = [s.demand_pm for s in run.host.statuses[-40:]]
            # The lower of two tracks of 18 and 9 per mille: three deviations up, more down.
            assert min(demands) >= 400 and max(demands) <= 500 + 30
    with Run(moment, rises=True, seed=seed) as run:
        run.strike(lambda box: box.shake_lever(250), seconds=1)
        if moment == "arming":
            run.never_armed()
        else:
            run.idle_within(300)
            run.held("LEVER_RANGE", "LEVER_TRACKS")


@at("cruise", "full thrust", but={
    "arming": "no thrust to cap", "ready": "no thrust to cap", "pulling away": "the ramp ends at the cap",
    "cutback": "the cap keeps thrust below where cutback begins",
})  # fmt: skip
def test_single_track(moment):
    """By the rig's choice: capped from the beginning, and its one wire still ends thrust."""
    with Run(moment, quick_values(lever_tracks=1)) as run:
        assert (run.host.limit, run.host.status.demand_pm) == ("SINGLE_TRACK", 400)
        run.strike(lambda box: box.cut_lever_wire("a"), phase_us=PHASE_US)
        run.idle_within(LEVER_MS)
        run.held("LEVER_RANGE")


@at(*ALL)
def test_arm_button_stuck_closed(moment):
    """It arms nothing that was not armed, changes nothing under thrust, and is no way out of HELD."""
    with Run(moment, rises=True) as run:
        box = run.box
        if moment == "arming":  # it never goes up again, through a power cycle
            run.strike(lambda box: None, seconds=0.05)
            run.box.power_off()
            box.power_on()
            before = len(box.pulses(0))
            box.advance(3)
            assert len(box.pulses(0)) == before  # the box does not start: not a pulse
            run.never_armed()
            return
        run.strike(lambda box: box.press_arm_button(), seconds=1.5)
        if moment == "ready":
            run.locked("BUTTON_RELEASE")
            run.ride(2)
            run.locked("BUTTON_RELEASE")
        else:
            assert run.host.state == "DRIVING" and run.above_idle(since_us=round(box.now_s * 1e6) - 2 * FRAME_US)
            box.open_stop_loop()
            run.ride(0.2)
            box.close_stop_loop()
            box.move_lever(0)
            run.ride(2)
            run.held("STOP_OPEN")


@pytest.mark.parametrize("phase_us", [0, 4_900, 9_990, 18_600])
@at(*ALL, every=True)
def test_stop_loop_opened(moment, phase_us):
    with Run(moment, busiest=phase_us in (4_900, 18_600)) as run:
        run.strike(lambda box: box.open_stop_loop(), phase_us=phase_us)
        run.idle_within(STOP_MS)
        if moment == "arming":
            run.locked("STOP_CLOSED")
            run.shown("close the stop loop")
            run.never_armed()
        else:
            run.held("STOP_OPEN")
            run.told_within(STOP_MS + 20, "STATE")  # by the next step, whose time is told to the step


@at("arming", but=dict.fromkeys(("ready", *UNDER_THRUST), "not seen before the loop is next opened"))
def test_stop_loop_shorted(moment):
    with Run(moment) as run:
        run.strike(lambda box: None, seconds=0.05)
        run.box.release_arm_button()
        run.power_again(lambda box: box.short_stop_loop())
        run.arming_order()
        run.locked("STOP_TEST")
        run.shown("open the stop loop")
        run.never_armed()
        run.box.mend_stop_loop()
        run.arming_order()
        assert run.host.state == "READY"


@at(*ALL)
def test_brake_pulled_with_thrust_on(moment):
    with Run(moment, quick_values(brake=1)) as run:
        run.strike(lambda box: box.press_brake(), phase_us=PHASE_US)
        run.eased_to(0, told_within_ms=40)
        if moment == "arming":
            run.locked("BRAKE")
            run.never_armed()
            return
        assert run.host.limit == ("BRAKE" if moment != "ready" else "NONE")
        run.box.release_brake()
        run.ride(1)  # the lever has not been at rest: nothing comes back by itself
        if moment != "ready":
            assert run.host.limit == "BRAKE" and run.host.status.demand_pm == 0


@at(*ALL)
def test_brake_stuck(moment):
    """Closed, it keeps thrust at nothing and the box from being armed; open, it is a brake that was never pulled."""
    with Run(moment, quick_values(brake=1)) as run:
        run.strike(lambda box: box.press_brake(), phase_us=PHASE_US)
        run.eased_to(0, told_within_ms=40)
        for lever_pm in (0, 1000):
            run.box.move_lever(lever_pm)
            run.ride(1)
        run.idle_within(40 + 300 + 40)
        run.box.move_lever(0)
        run.box.release_arm_button()
        run.ride(0.5)
        if run.host.state == "READY":  # and disarmed, it cannot be armed again
            run.box.press_arm_button()
            run.ride(0.2)
            run.box.release_arm_button()
        run.arming_order()
        run.locked("BRAKE")
        run.shown("release the brake")
