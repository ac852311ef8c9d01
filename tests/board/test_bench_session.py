"""A bench run by the host's own session: over pyserial to the real firmware, with a person at the box."""

import asyncio
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from bench_host import FRAME_US, HOLD_MS, IDLE_US, above_idle, us
from bench_run import BenchHost, bench_values
from overlays import patched

from barbox.bench.hold import held
from barbox.bench.session import ALL, BenchStopped, Session
from barbox.demo.ride import example_rig
from barbox.errors import BoxError
from barbox.link.client import Client, Refused
from barbox.link.serial import SerialLink
from barbox.sim.board import LEFT, RIGHT, SimBoard
from shared_proto import frames, messages, states

TOP = {LEFT: 1, RIGHT: 5}  # sense input at the top of each string of the example rig


def bench_box(values=None, overlay=None, **esc):
    """A box with ESCs changed by `esc`."""
    plant = example_rig().plant_spec()
    plant = replace(plant, sides=tuple(replace(side, esc=replace(side.esc, **esc)) for side in plant.sides))
    values = values or bench_values(stream_hz=25)
    return SimBoard(plant, values, values=values, boot_s=0.1, overlay=overlay)


class Person:
    """Holds the lever a while after the box waits for it, for so long."""

    def __init__(self, box, holds_s=3.0):
        self.box = box
        self.holds_s = holds_s
        self.phases = []

    def __call__(self, phase):
        self.phases.append(states.BENCH_PHASES[phase][0])
        if phase == states.BENCH_WAITING:
            self.box.after(0.3, lambda: self.box.move_lever(800))
            self.box.after(0.3 + self.holds_s, lambda: self.box.move_lever(0))
        if phase == states.BENCH_CONFIRM:
            self.box.after(0.3, self.box.press_arm_button)
            self.box.after(0.6, self.box.release_arm_button)

    def arms(self, waits):
        if waits == states.words(states.WAITS, states.WAIT_BENCH_BUTTON):
            self.box.after(0.2, self.box.press_arm_button)
            self.box.after(0.4 + HOLD_MS / 1000, self.box.release_arm_button)


@asynccontextmanager
async def open_client(box):
    link = SerialLink(box.port.path)
    client = Client(link, silence_s=None)
    await box.while_waiting(client.open(), link)
    try:
        yield client, link
    finally:
        await client.close()


def on_the_bench(story, **options):
    """`await story(session, box, person)` in a run; returns the box's end state with what the story returned."""

    async def all_of_it():
        with bench_box(**options) as box:
            box.advance(0.5)
            box.open_stop_loop()
            box.advance(0.2)
            box.close_stop_loop()
            box.advance(1.3)
            person = Person(box)
            async with open_client(box) as (client, link):

                async def run():
                    async with Session(client, sleep=box.sleep) as session:
                        await session.entered(person.arms)
                        return await story(session, box, person)

                return await box.while_waiting(run(), link, limit_s=200)

    return asyncio.run(all_of_it())


def test_steps_are_run_and_averaged():
    async def story(session, box, person):
        assert session.offer.cap_pm[:2] == (800, 800)
        one = await session.step(RIGHT + 1, 400, 8, on_phase=person)
        both = await session.step(ALL, 500, on_phase=person)
        early = await session.step(ALL, 500, 1.0, on_phase=person)
        return one, both, early, person.phases, box.plant.spec

    one, both, early, phases, _ = on_the_bench(story)
    assert (one.end, both.end, early.end) == (states.ENDED_RELEASED, states.ENDED_RELEASED, states.ENDED_TIME)
    assert 2900 <= one.ran_ms <= 3100
    assert phases[:3] == ["WAITING", "RUNNING", "RESTING"]
    means = one.means(1.0)
    assert means.count >= 30 and 1.3 <= means.seconds <= 1.7
    assert means.pulse_us[:2] == (IDLE_US, 1400)
    sag_v = one.before.sense_mv[TOP[RIGHT]] / 1000 - means.sense_v[TOP[RIGHT]]
    assert 0.1 < sag_v < 0.3
    assert abs(one.before.sense_mv[TOP[LEFT]] / 1000 - means.sense_v[TOP[LEFT]]) < 0.02
    assert means.section_v[2] is None  # the pack negative is no section
    assert means.current_a[:2] == (None, None)  # there is no sensor, and the lever's curve does not count here
    assert both.means(1.0).pulse_us[:2] == (1500, 1500)
    assert early.means(1.0) is None


def test_what_came_while_somebody_typed_is_of_another_moment():
    """Between two steps the stream runs on unread: rest, idle and the end of the last step do not end the next one."""

    async def story(session, box, person):
        one = await session.step(1, 300, 5, on_phase=person)
        await box.sleep(4)
        two = await session.step(1, 400, 5, on_phase=person)
        return one, two

    one, two = on_the_bench(story)
    assert two.before.time_ms - one.under[-1].time_ms > 3900
    assert two.before.bench_steps == 1 and {s.bench_steps for s in two.under} == {2}
    assert len(two.steady) > 30 and 2900 <= two.ran_ms <= 3100
    assert {s.demand_pm for s in two.steady} == {400}


@pytest.mark.parametrize(("hold_s", "at_least"), [(0.3, False), (2.0, False), (60.0, True)])
def test_the_time_that_an_esc_holds_its_last_command_is_measured(hold_s, at_least):
    async def story(session, box, person):
        person.holds_s = 6.5
        return await session.step(LEFT + 1, 250, what=states.BENCH_WITHHOLD, on_phase=person), box.pulses(LEFT)

    step, pulses = on_the_bench(story, hold_s=hold_s)
    found = held(step, TOP[LEFT])
    assert found is not None and found.at_least == at_least
    if at_least:
        assert found.seconds > 3
    else:
        assert abs(found.seconds - hold_s) <= found.within_s <= 0.15
    gap = max((b[0] - a[0], a[0]) for a, b in zip(pulses, pulses[1:], strict=False))
    assert gap[0] > 2_000_000 and step.end == states.ENDED_RELEASED  # no pulse, and idle again when let go


def test_a_step_with_too_little_sag_to_tell_says_so():
    async def story(session, box, person):
        person.holds_s = 6
        return await session.step(LEFT + 1, 60, what=states.BENCH_WITHHOLD, on_phase=person)

    assert held(on_the_bench(story), TOP[LEFT]) is None


def test_what_the_box_does_not_allow_is_refused_and_the_run_goes_on():
    async def story(session, box, person):
        for side, pulse_pm, what, reason in (
            (1, 801, states.BENCH_THRUST, states.REFUSE_OUT_OF_RANGE),
            (1, 251, states.BENCH_WITHHOLD, states.REFUSE_OUT_OF_RANGE),
            (1, 1000, states.BENCH_END_POINTS, states.REFUSE_NOT_QUIET),
        ):
            with pytest.raises(Refused) as refused:
                await session.step(side, pulse_pm, what=what)
            assert refused.value.reason == reason
        return await session.step(1, 300, 5, on_phase=person)

    assert on_the_bench(story).end == states.ENDED_RELEASED


def test_a_stop_is_told_with_its_cause():
    async def story(session, box, person):
        box.after(2.5, box.open_stop_loop)
        with pytest.raises(BenchStopped, match="stop loop opened") as stopped:
            await session.step(1, 300, on_phase=person)
        assert stopped.value.cause == states.CAUSE_STOP_OPEN
        step = stopped.value.step
        assert step.end == states.ENDED_HELD and 0 <= step.held_ms - step.steady[-1].time_ms <= 100
        after = await session.watch(1.0)
        loaded_mv, rest_mv = step.steady[-1].sense_mv[TOP[LEFT]], after[-1].sense_mv[TOP[LEFT]]
        assert rest_mv - loaded_mv > 40 and after[-1].state == states.HELD
        with pytest.raises(BoxError):
            await session.step(1, 300, on_phase=person)

    on_the_bench(story)


def test_nobody_at_the_button_is_told():
    async def story():
        lapses_soon = patched("core/bench.py", "ASK_MS = 30000", "ASK_MS = 2000")
        with bench_box(overlay=lapses_soon) as box:
            box.advance(2)
            async with open_client(box) as (client, link):

                async def run():
                    async with Session(client, sleep=box.sleep) as session:
                        await session.entered()

                with pytest.raises(BoxError, match="nobody held the arm button"):
                    await box.while_waiting(run(), link, limit_s=60)

    asyncio.run(story())


@pytest.mark.parametrize("how", ["cancelled", "killed"])
def test_ctrl_c_in_a_step(how):
    """Cancelled, as Ctrl-C does it, the run ends in good order; killed, the box misses the beats."""

    async def story():
        with bench_box() as box:
            box.advance(0.5)
            box.open_stop_loop()
            box.advance(0.2)
            box.close_stop_loop()
            box.advance(1.3)
            person = Person(box, holds_s=60)
            link = SerialLink(box.port.path)
            client = Client(link, silence_s=None)
            await box.while_waiting(client.open(), link)
            session = Session(client, sleep=box.sleep)

            async def run():
                async with session:
                    await session.entered(person.arms)
                    await session.step(1, 400, on_phase=person)

            task = asyncio.ensure_future(run())
            while not above_idle(box, LEFT, us(box) - FRAME_US):
                await box.ride(0.02, link)
            await box.ride(1.0, link)
            at_us = us(box)
            if how == "killed":
                await client.close()
            task.cancel()
            await box.ride(1.0, link)
            assert task.done()
            assert max(rise + width for rise, width in above_idle(box, LEFT)) <= at_us + 250_000
            assert box.pulse_us(LEFT) == IDLE_US
            await client.close()
            async with open_client(box) as (again, link):
                stream = again.subscribe()
                await box.ride(0.3, link)
                status = [s for s in stream.take() if s.kind == messages.STATUS.kind][-1]
                expected = (states.LOCKED, 0) if how == "cancelled" else (states.HELD, states.CAUSE_BENCH_HOST)
                assert (status.state, status.cause) == expected

    asyncio.run(story())


def test_a_recorded_run_played_back_does_nothing():
    values = bench_values()
    with bench_box(values) as box, BenchHost(box) as host:
        host.enter()
        host.sent.clear()
        host.step(300)
        host.hold(1)
        host.let_go()
        host.ride(2)
        in_run = bytes(host.sent)
        host.of_run(messages.BENCH_END)
        host.ride(0.3)
        assert host.state == "LOCKED"
        made = len(above_idle(box, LEFT))
        assert made > 20
        token = host.token
        host.token = 0

        def play(again):
            numbers = set()
            for body in frames.Decoder().feed(in_run):
                host.send(frames.encode(body))
                numbers.add(messages.head(body)[1])
                host.ride(0.02)
                if again:
                    host.send(frames.encode(body))
            return numbers

        # LOCKED, with the lever held as in the run.
        box.move_lever(800)
        play(again=True)
        host.ride(1)
        assert host.state == "LOCKED"
        box.move_lever(0)
        # Armed for a ride.
        box.advance(1.2)
        box.press_arm_button()
        host.ride(0.7)
        box.release_arm_button()
        assert host.state == "READY"
        play(again=False)
        assert host.state == "READY" and len(above_idle(box, LEFT)) == made
        box.press_arm_button()  # locks
        host.ride(0.2)
        box.release_arm_button()
        host.ride(1.3)
        # Another run, with another token: the old step is none of it.
        host.token = 0
        host.ask()
        assert host.token not in (0, token)
        host.ride(0.1)
        box.press_arm_button()
        host.ride(HOLD_MS / 1000 + 0.2)
        box.release_arm_button()
        host.ride(1.2)
        assert (host.state, host.phase) == ("BENCH", "IDLE")
        play(again=True)
        host.hold(1)
        assert (host.phase, host.status.bench_steps) == ("IDLE", 0)
        assert len(above_idle(box, LEFT)) == made


def test_a_replayed_ask_lapses_without_its_beats():
    with bench_box(bench_values()) as box, BenchHost(box) as host:
        host.ready()
        ask = frames.encode(messages.BENCH_ASK.pack(77))
        for _ in range(3):
            host.send(ask)
            host.ride(0.1)
        assert host.phase == "ASKED"
        host.ride(1)
        assert (host.phase, host.waits) == ("NONE", "BUTTON")


def test_a_retry_starts_no_second_step():
    with bench_box(bench_values()) as box, BenchHost(box) as host:
        host.enter()
        host.count += 1
        fields = (host.token, host.count, states.BENCH_THRUST, 1, 300, 5000)
        for _ in range(3):  # the same request, as when its answer was lost; beats come between
            assert host.request(messages.BENCH_STEP, *fields, number=500).kind == messages.DONE.kind
            host.ride(0.1)
        host.hold(0.5)
        host.let_go()
        host.ride(1.5)
        assert host.request(messages.BENCH_STEP, *fields, number=500).kind == messages.DONE.kind
        host.ride(0.2)
        host.hold(0.5)
        assert (host.phase, host.status.bench_steps) == ("IDLE", 1)


def test_end_points_are_learned_on_a_side_whose_fan_is_off():
    with bench_box(bench_values(bench_step_ms=15_000), learns_end_points=True) as box, BenchHost(box) as host:
        host.enter()

        def quiet_step():
            host.ride(3)  # so that the box sees whether the string recovers
            host.step(300)
            host.hold(3)
            host.let_go()
            host.ride(1.5)

        quiet_step()  # its fan is on: the string sags
        host.count += 1
        learn = (states.BENCH_END_POINTS, 1, 1000, 15_000)
        assert host.of_run(messages.BENCH_STEP, *learn).reason == states.REFUSE_NOT_QUIET
        box.plant.kill_fan(LEFT)
        quiet_step()
        assert host.of_run(messages.BENCH_STEP, *learn).kind == messages.DONE.kind
        host.ride(0.2)
        assert host.phase == "CONFIRM"
        box.press_arm_button()
        host.ride(0.3)
        box.release_arm_button()
        host.ride(0.3)
        assert host.phase == "WAITING"
        host.hold(4.2, lever=False)
        assert box.pulse_us(LEFT) == 2000 and box.pulse_us(RIGHT) == IDLE_US
        box.plant.restart_esc(LEFT)  # its supply is connected while it sees full
        host.ride(4)
        assert box.plant.esc_state(LEFT) == "learning"
        host.let_go()
        host.ride(0.2)
        assert box.pulse_us(LEFT) == IDLE_US
        host.ride(4)
        assert box.plant.esc_state(LEFT) == "running"


def test_a_fan_that_is_connected_after_all_ends_end_point_learning():
    with bench_box(bench_values(bench_step_ms=15_000)) as box, BenchHost(box) as host:
        host.enter()
        box.plant.kill_fan(LEFT)
        host.ride(3)
        host.step(300)
        host.hold(3)
        host.let_go()
        host.ride(1.5)
        box.plant.revive_fan(LEFT)
        host.step(1000, 1, states.BENCH_END_POINTS, 15_000)
        box.press_arm_button()
        host.ride(0.3)
        box.release_arm_button()
        host.ride(0.3)
        host.hold(3, lever=False)
        assert host.end == "CURRENT"
        assert max(width for _, width in box.pulses(LEFT)) < 1450  # the ramp had not come far
        assert box.pulse_us(LEFT) == IDLE_US
