"""What the estimators have learned survives a power cut and a watchdog reset, and wears the flash once a ride."""

import pytest
from bench_host import Host, arm, make_box

from barbox.sim.board import LEFT, RIGHT

SETTLED_S = 3.0  # the log is written once the box has been at idle for a second
ERASE_US = 46_000


def weak(box):
    """Packs of three times the resistance that is guessed."""
    for side in (LEFT, RIGHT):
        for section in (0, 1):
            box.weaken_section(side, section, resistance_factor=3.0)


def rest_error_mv(box, host):
    """Of the weakest section's voltage at rest, told in mid-pull, mean over two seconds."""
    errors = []
    for _ in range(20):
        host.ride(0.1)
        cells = [s.rest_voltage_v / s.cells for side in (LEFT, RIGHT) for s in box.plant.sections(side)]
        errors.append(host.statuses[-1].rest_cell_mv - 1000 * min(cells))
    return sum(errors) / len(errors)


def first_pull_mv(box, host):
    host.ride(1)
    arm(box)
    box.move_lever(800)
    host.ride(3)
    error_mv = rest_error_mv(box, host)
    box.move_lever(0)
    host.ride(3)
    return error_mv


def ride(box, host, seconds):
    for k in range(round(seconds / 10)):
        box.move_lever((850, 300, 600)[k % 3])
        host.ride(6)
        box.move_lever(0 if k % 2 else 150)
        host.ride(4)


def lock(box, host):
    box.move_lever(0)
    host.ride(1)
    box.open_stop_loop()
    host.ride(SETTLED_S)


def arm_again(box, host):
    """From HELD: a press clears it, the next one arms."""
    box.close_stop_loop()
    box.press_arm_button()
    host.ride(0.3)
    box.release_arm_button()
    host.ride(0.3)
    arm(box)


def power_cut(box, host):
    host.close()
    box.power_off()
    box.advance(0.5)
    box.power_on()
    box.advance(0.3)
    host.open()
    host.ride(2)


def charge_pm(host):
    return min(host.statuses[-1].charge_pm[:2])


@pytest.fixture
def ridden():
    """Ridden until much was learned, then locked: (box, host, what a pull was off by before anything was learned)."""
    with make_box(errors=False) as box, Host(box) as host:
        weak(box)
        first_mv = first_pull_mv(box, host)
        ride(box, host, 80)
        assert abs(first_mv) > 60  # else nothing would have had to survive
        assert abs(first_pull_mv(box, host)) < 0.5 * abs(first_mv)
        lock(box, host)
        yield box, host, abs(first_mv)


def test_after_a_power_cut_a_pull_is_read_by_what_was_learned_and_charge_goes_on(ridden):
    box, host, first_mv = ridden
    before_pm = charge_pm(host)
    host.ride(60)  # rest: what is on flash is from its first seconds
    power_cut(box, host)
    assert host.state == "LOCKED"
    assert charge_pm(host) == pytest.approx(before_pm, abs=15)
    assert abs(first_pull_mv(box, host)) < 0.6 * first_mv


def test_after_a_watchdog_reset_in_mid_ride_charge_goes_on_from_that_moment(ridden):
    """The log was written before the ride; since then a seventh of the charge has gone."""
    box, host, first_mv = ridden
    written_pm = charge_pm(host)
    arm_again(box, host)
    box.move_lever(700)
    host.ride(50)
    before_pm = charge_pm(host)
    assert before_pm < written_pm - 80
    box.stall_processor(3)
    host.ride(5)
    assert [cause for _, cause in box.resets][-1] == "watchdog"
    assert host.state == "LOCKED"
    assert charge_pm(host) == pytest.approx(before_pm, abs=20)
    box.move_lever(0)
    host.ride(15)
    assert abs(first_pull_mv(box, host)) < 0.8 * first_mv  # learned as of the last time the box was locked


def test_learning_costs_the_flash_a_write_at_the_end_of_a_ride_and_none_in_it(ridden):
    box, host, _ = ridden
    erases = []
    for _ in range(5):
        arm_again(box, host)
        begun = len(box.flash_times)
        ride(box, host, 40)
        assert len(box.flash_times) == begun
        lock(box, host)
        host.ride(90)
        erases.append(sum(took // ERASE_US for _, took in box.flash_times[begun:]))
    assert min(erases) >= 1 and max(erases) <= 4
    written = len(box.flash_times)
    host.ride(90)
    assert len(box.flash_times) == written  # at rest nothing is learned
    print("sector erases after each ride:", erases)
