"""What the pins of the simulated board carry, without a VM."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.errors import BoxError
from barbox.rig import read
from barbox.rig.template import example_text
from barbox.sim.firmware import board_pins
from barbox.sim.wire_faults import WireFaults
from barbox.sim.wiring import Wiring

SENSOR = "current_sensor = { input = 4, amps_per_volt = 100, zero_v = 1.65 }\ncurve_pm"
RIG = read(example_text().replace("curve_pm", SENSOR, 1).replace("# wheel_mm", "wheel_mm").encode())
PINS = board_pins("pico_w")
POINTS_V = [[19.0, 38.0], [18.5, 37.5]]
NEGATIVE_V = [-0.2, -0.1]
CURRENT_A = [80.0, 0.0]


class Bench(WireFaults):
    """Wires and hands, and a clock that only moves when told."""

    def __init__(self, errors: bool = False) -> None:
        self.wiring = Wiring(RIG.settings(), PINS, 1, errors)
        if not errors:
            self.wiring._noise = [0.0] * 1021
        self.todo: list[tuple[float, Callable[[], object]]] = []

    def after(self, seconds, action):
        self.todo.append((seconds, action))

    def mv(self, number):
        """What the box makes of an input, from its gain and offset."""
        values = RIG.settings()
        uv = self.wiring.sense_pin_uv(POINTS_V, NEGATIVE_V, CURRENT_A)[number - 1]
        gain = values.get("sense.nv_per_count", number - 1) / 125_000  # one count, TI SBAS444D
        return uv * gain / 1000 + values.get("sense.offset_mv", number - 1)

    def lever_mv(self):
        uv = self.wiring.chip_pin_uv([0] * 8)
        return uv[PINS.LEVER_PINS[0] - 26] / 1000, uv[PINS.LEVER_PINS[1] - 26] / 1000

    def low(self, pin):
        return not self.wiring.pins() >> pin & 1


@pytest.fixture
def bench():
    return Bench()


def test_points_negative_and_sensor_at_nominal_parts(bench):
    assert [bench.mv(n) for n in (1, 2, 5, 6)] == pytest.approx([19000, 38000, 18500, 37500], abs=1)
    assert [bench.mv(n) for n in (3, 7)] == pytest.approx([-200, -100], abs=1)
    assert bench.mv(4) == pytest.approx(8000, abs=1)  # 1 mV for 10 mA


def test_tolerances_stay_within_the_stated_uncertainty():
    values = RIG.settings()
    for n in (1, 2, 3, 5, 6, 7):
        bench = Bench(errors=True)
        true = {1: 19000, 2: 38000, 3: -200, 5: 18500, 6: 37500, 7: -100}[n]
        assert abs(bench.mv(n) - true) <= 2 * values.get("sense.uncertainty_mv", n - 1)


def test_a_cut_wire_reads_nothing_and_a_cut_sensor_less_than_nothing(bench):
    for n in (1, 3, 4):
        bench.cut_sense_wire(n)
    assert [bench.mv(n) for n in (1, 3)] == pytest.approx([0, 0], abs=1)
    assert bench.mv(4) == pytest.approx(-16500, abs=1)
    bench.mend_sense_wire(1)
    assert bench.mv(1) == pytest.approx(19000, abs=1)
    with pytest.raises(BoxError, match="sense input 8 is not wired"):
        bench.cut_sense_wire(8)


def test_shorted_swapped_and_wrongly_divided_wires(bench):
    bench.short_sense_wires(2, to=1)
    assert bench.mv(2) == pytest.approx(19000, abs=1)
    bench.mend_sense_wire(2)
    bench.swap_sense_wires(1, 5)
    assert (bench.mv(1), bench.mv(5)) == pytest.approx((18500, 19000), abs=1)
    bench.swap_sense_wires(1, 5)
    bench.wrong_divider(1, 1.5)
    assert bench.mv(1) == pytest.approx(19000 / 1.5, abs=1)


def test_a_loose_wire_opens_and_closes_by_the_clock(bench):
    bench.loosen_sense_wire(2, every_s=1.0, open_s=0.1, for_s=3.0)
    assert [t for t, _ in bench.todo] == pytest.approx([0, 0.1, 1, 1.1, 2, 2.1])
    seen = []
    for _, action in bench.todo:
        action()
        seen.append(bench.mv(2) > 1000)
    assert seen == [False, True] * 3
    with pytest.raises(BoxError, match="cannot stay open"):
        bench.loosen_lever_wire("a", every_s=0.1, open_s=0.2)


def test_rest_switch_opens_within_the_first_few_per_cent(bench):
    for position, closed in ((0, True), (29, True), (31, False), (1000, False)):
        bench.wiring.lever.move(position)
        assert bench.low(PINS.REST_PIN) == closed
    bench.stick_rest_switch(True)
    assert bench.low(PINS.REST_PIN)
    bench.mend_lever()
    assert not bench.low(PINS.REST_PIN)


def test_brake_closes_its_own_contact(bench):
    assert not bench.low(PINS.BRAKE_PIN)
    bench.wiring.brake = True
    assert bench.low(PINS.BRAKE_PIN) and not bench.low(PINS.ARM_PIN)


def test_a_hall_without_ground_reads_beyond_full_and_without_supply_nothing(bench):
    values = RIG.settings()
    full = values.get("lever_a_full_mv"), values.get("lever_b_full_mv")
    bench.cut_lever_ground("a")
    a, b = bench.lever_mv()
    span = full[0] - values.get("lever_a_rest_mv")
    assert a > full[0] + span * values.get("lever_margin_pm") / 1000 and b == values.get("lever_b_rest_mv")
    bench.mend_lever()
    bench.switch_off_lever_supply()
    assert bench.lever_mv() == (0, 0)


def test_halls_follow_their_supply_and_it_can_be_sensed(bench):
    bench.wiring.lever.move(1000)
    bench.set_supply_v(4.0)
    assert bench.lever_mv() == pytest.approx((2750 * 0.8, 1375 * 0.8), abs=1)
    assert bench.wiring.chip_pin_uv([0] * 8)[PINS.SUPPLY_PIN - 26] == 2_000_000


def test_a_lever_that_sticks_goes_on_but_not_back(bench):
    lever = bench.wiring.lever
    lever.move(300)
    bench.stick_lever()
    lever.move(0)
    assert lever.position_pm == 300
    lever.move(500)
    lever.move(100)
    assert lever.position_pm == 300
    bench.free_lever()
    lever.move(0)
    assert lever.position_pm == 0


def test_a_drifting_track_leaves_the_other_alone(bench):
    bench.wiring.look(2_000_000, 0.0)
    bench.drift_lever("b", 10)
    bench.wiring.look(7_000_000, 0.0)
    assert bench.lever_mv() == pytest.approx((550, 275 + 50), abs=1)


def test_vibration_has_the_stated_size_and_no_mean():
    bench = Bench(errors=True)
    bench.shake_lever(40)
    seen = [bench.lever_mv()[0] - 550 for _ in range(1000)]
    mean = sum(seen) / len(seen)
    assert abs(mean) < 8  # six standard deviations of the mean of 1000
    assert (sum((x - mean) ** 2 for x in seen) / len(seen)) ** 0.5 == pytest.approx(40, rel=0.15)


def test_an_open_box_ground_makes_all_readings_wild(bench):
    bench.open_box_ground()
    seen = set()
    for n in range(5):
        bench.wiring.look(20_000 * n, 0.0)
        assert bench.mv(2) < 38000 - 0.1 * 16000 and bench.mv(3) < -200
        seen.add(bench.lever_mv())
    assert len(seen) > 1
    bench.close_box_ground()
    bench.wiring.look(0, 0.0)
    assert bench.mv(2) == pytest.approx(38000, abs=1)


@given(st.floats(0.2, 40), st.integers(100, 4000), st.floats(0, 5))
def test_every_edge_of_the_wheel_is_met(speed_m_s, wheel_mm, start_m):
    """Following `wheel_edge_us`, the pin falls once for each way of the wheel."""
    wiring = Wiring(RIG.settings(), PINS, 1, False)
    wiring.wheel_mm = wheel_mm
    low_before, falls, t_us = True, 0, 0
    turns = 8
    at_m = start_m
    while at_m - start_m < turns * wheel_mm / 1000:
        wiring.look(t_us, at_m)
        low = not wiring.pins() >> PINS.WHEEL_PIN & 1
        falls += low and not low_before
        low_before = low
        t_us += min(25_000, wiring.wheel_edge_us(speed_m_s))
        at_m = start_m + speed_m_s * t_us / 1e6
    assert turns - 1 <= falls <= turns


def test_a_standing_or_unfitted_wheel_has_no_edges(bench):
    far_us = 10**9
    assert bench.wiring.wheel_edge_us(0.0) > far_us
    bench.wiring.wheel_mm = 0
    assert bench.wiring.wheel_edge_us(10.0) > far_us
    bench.wiring.look(0, 0.0)
    assert not bench.low(PINS.WHEEL_PIN)
