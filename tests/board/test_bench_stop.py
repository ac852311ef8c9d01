"""Each way to stop a bench run, in each of its phases, and the time that it takes until pulses are idle."""

import pytest
from bench_host import FRAME_US, HOLD_MS, IDLE_US, above_idle, make_box, us
from bench_run import REST_MS, BenchHost, bench_values
from overlays import failing_house

from barbox.sim.board import LEFT, RIGHT
from shared_proto import messages, states

STOP_US, BOX_US, HOST_US = 25_000, 100_000, 250_000
PULSE_PM = 250

THRUST = ("ramping", "steady", "withheld")
PHASES = ("asked", "idle", "waiting", *THRUST, "resting")


def to(host, phase, lever=True):
    """From power-on to a phase of a run."""
    box = host.box
    if phase == "asked":
        host.ready()
        host.ask()
        host.ride(0.2)
        assert (host.state, host.phase, host.waits) == ("LOCKED", "ASKED", "BENCH_BUTTON")
        return
    host.enter()
    if phase == "idle":
        return
    host.step(PULSE_PM, LEFT + 1, states.BENCH_WITHHOLD if phase == "withheld" else states.BENCH_THRUST)
    if phase != "waiting":
        host.hold({"ramping": 0.15, "withheld": 2.3}.get(phase, 1), lever)
    if phase == "resting":
        host.let_go()
        host.ride(0.2)
    assert host.phase == {"ramping": "RUNNING", "steady": "RUNNING"}.get(phase, phase.upper())
    if phase in ("ramping", "steady"):
        assert above_idle(box, LEFT, us(box) - 2 * FRAME_US)
    if phase == "withheld":
        assert us(box) - box.pulses(LEFT)[-1][0] > 100_000


def drain(box):
    """A section is empty from one moment to the next."""
    box.weaken_section(LEFT, 1, charge=0.0, resistance_factor=3)


# What is done at the box, within what time pulses are idle, and what the box then says: state, cause, end of step.
AT_THE_BOX = {
    "stop loop": (lambda h: h.box.open_stop_loop(), STOP_US, ("HELD", "STOP_OPEN", "HELD")),
    "release": (lambda h: h.let_go(), BOX_US, ("BENCH", "NONE", "RELEASED")),
    "lever": (lambda h: h.box.cut_lever_wire("a"), BOX_US, ("HELD", "LEVER_RANGE", "HELD")),
    "brake": (lambda h: h.box.press_brake(), BOX_US, ("BENCH", "NONE", "BRAKE")),
    "sense": (lambda h: h.box.cut_sense_wire(1), BOX_US, ("BENCH", "NONE", "SENSE")),
    "floor": (lambda h: drain(h.box), BOX_US, ("BENCH", "NONE", "FLOOR")),
}


def idle_within(box, at_us, limit_us, last_above=None):
    """No pulse above idle later than that, and idle pulses by then."""
    for side in (LEFT, RIGHT):
        late = [rise + width - at_us for rise, width in above_idle(box, side, at_us)]
        assert max(late, default=0) <= limit_us, side
        since = [rise - at_us for rise, width in box.pulses(side) if width == IDLE_US and rise > at_us]
        assert since and since[0] <= limit_us + FRAME_US
        assert us(box) - box.pulses(side)[-1][0] <= 2 * FRAME_US


@pytest.mark.chequered
@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("way", AT_THE_BOX)
def test_what_happens_at_the_box(way, phase):
    do, limit_us, told = AT_THE_BOX[way]
    with make_box(bench_values()) as box, BenchHost(box) as host:
        to(host, phase, lever=way != "lever")  # a broken lever is let go besides
        steady_us = 7_777 if way == "release" else 13_333
        at_us = us(box) + steady_us
        box.after(steady_us / 1e6, lambda: do(host))
        host.ride(0.6)
        if phase in THRUST:
            idle_within(box, at_us, limit_us)
            assert (host.state, host.cause, host.end) == told
        elif phase == "asked":
            assert host.state == "LOCKED"
            box.press_arm_button()
            host.ride(HOLD_MS / 1000 + 0.3)
            assert host.state == ("BENCH" if way in ("release", "sense") else "LOCKED")
        elif told[0] == "HELD":
            assert (host.state, host.cause) == told[:2]
        elif phase == "waiting" and way != "release":
            assert (host.phase, host.end) == ("IDLE", told[2])
        else:
            assert host.state == "BENCH"
        host.ride(REST_MS / 1000)
        assert {width for rise, width in box.pulses(LEFT) if rise > at_us + limit_us} == {IDLE_US}
        assert {width for _, width in box.pulses(RIGHT)} == {IDLE_US}


@pytest.mark.parametrize("phase_us", [0, 1_700, 4_900, 9_990, 13_333, 18_600])
def test_stop_loop_and_release_at_any_moment_of_a_frame(phase_us):
    with make_box(bench_values()) as box, BenchHost(box) as host:
        host.enter()
        for way in ("release", "stop loop"):
            do, limit_us, _ = AT_THE_BOX[way]
            host.step(PULSE_PM, 0)
            host.hold(1)
            phase = (box.pulses(LEFT)[-1][0] + 2 * FRAME_US + phase_us - us(box)) % FRAME_US + FRAME_US
            at_us = us(box) + phase
            box.after(phase / 1e6, lambda do=do: do(host))
            host.ride(REST_MS / 1000 + 0.5)
            idle_within(box, at_us, limit_us)


HOST_FAILS = {
    "beats end": lambda h: setattr(h, "beating", False),
    "cable": lambda h: h.box.unplug_cable(),
    "crash": lambda h: h.close(),
}


@pytest.mark.chequered
@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("way", HOST_FAILS)
def test_a_host_that_falls_silent(way, phase):
    with make_box(bench_values()) as box, BenchHost(box) as host:
        to(host, phase)
        HOST_FAILS[way](host)
        if way != "beats end":
            host.beating = False
        host.ride(1.5)
        if phase in THRUST:
            idle_within(box, host.beat_us, HOST_US)
        assert {width for rise, width in box.pulses(LEFT) if rise > host.beat_us + HOST_US} == {IDLE_US}
        if way == "cable":
            box.plug_in_cable()
        if way != "beats end":
            host.close()
            host.open()
        host.ride(0.5)
        if phase == "asked":
            assert (host.state, host.phase, host.waits) == ("LOCKED", "NONE", "BUTTON")
        else:
            assert (host.state, host.cause, host.phase) == ("HELD", "BENCH_HOST", "NONE")
        # The host comes back: the run does not.
        host.beating = True
        host.ride(0.5)
        assert host.of_run(messages.BENCH_END).reason == states.REFUSE_NOT_OF_THIS_RUN
        assert host.state == ("LOCKED" if phase == "asked" else "HELD")


@pytest.mark.parametrize("phase", THRUST)
def test_a_task_that_dies(phase):
    """Its last heartbeat is up to a second old by then, as on the road."""
    after_ms = {"ramping": 4300, "steady": 5000, "withheld": 6300}[phase]
    with make_box(bench_values(), overlay=failing_house(after_ms, "return")) as box, BenchHost(box) as host:
        to(host, phase)
        assert host.status.time_ms < after_ms + 250
        at_us = us(box)
        host.ride(1.6)
        idle_within(box, at_us, 1_500_000)
        assert (host.state, host.cause) == ("HELD", "TASK_SILENT")


@pytest.mark.parametrize(
    ("phase", "stall_s"), [*[(p, s) for p in PHASES if p != "resting" for s in (0.15, 60)], ("steady", 0.5)]
)
def test_a_processor_that_stalls(stall_s, phase):
    """Pulses end by themselves within 100 ms and do not come back; a stall without end is reset by the watchdog."""
    with make_box(bench_values()) as box, BenchHost(box) as host:
        to(host, phase)
        at_us = us(box)
        box.stall_processor(stall_s)
        host.ride(min(stall_s, 1.5) + 1)
        assert not above_idle(box, LEFT, at_us + BOX_US)
        if stall_s == 60:
            assert [cause for _, cause in box.resets] == ["watchdog"]
            assert (host.state, host.phase, host.waits) == ("LOCKED", "NONE", "STOP_TEST")
        elif phase in THRUST:
            assert host.phase in ("RESTING", "IDLE", "NONE")
            assert host.end == "LATE" or host.cause == "LATE"
        host.ride(1)
        assert {w for rise, w in box.pulses(LEFT) if rise > at_us + BOX_US + 20_000} <= {IDLE_US}


def test_what_a_simulated_box_draws_is_the_same_each_time_and_another_after_each_start():
    def tokens():
        with make_box(bench_values()) as box:
            for _ in range(2):
                with BenchHost(box) as host:
                    host.ready()
                    yield host.ask().token
                box.power_off()
                box.power_on()

    first = list(tokens())
    assert list(tokens()) == first and len({0, *first}) == 3
