"""Hours of the whole box with every task running and a host that listens: the heap does not fill up.

Two thirds of a virtual hour here; BARBOX_LONG_HOURS=10 is the long one.
"""

import os

from bench_host import Host, arm, make_box
from overlays import patched

from barbox.sim.board import LEFT, RIGHT

HOURS = float(os.environ.get("BARBOX_LONG_HOURS", "0.66"))
MINUTE_S = 60
KEPT_BY_CHANCE = 512  # bytes: two objects of the size that `fallen` tells of
SETTLED = 12  # minutes until all that grows once has grown: buffers, the first of each screen


def free_bytes_by_minute(minutes, **options):
    """Free heap after the box's latest collection, asked for each minute. It rides at 25 and 55 %, rests at times, and
    the rider stops and arms again every ten minutes."""
    told = []
    with make_box(**options) as box, Host(box) as host:
        box.advance(1)
        for minute in range(minutes):
            if minute % 10 == 0:
                box.move_lever(0)
                box.advance(1)
                box.open_stop_loop()
                box.advance(0.2)
                box.close_stop_loop()
                box.press_arm_button()  # out of HELD
                box.advance(0.2)
                box.release_arm_button()
                arm(box)
            for lever in (550, 250, 0):
                box.move_lever(lever)
                host.ride(MINUTE_S / 3, slice_s=1)
            for side in (LEFT, RIGHT):
                box.plant.set_charge(side, 0.9)
            host.statuses.clear()
            host.events.clear()
            host.raw.clear()
            told.append(host.hello().heap_free_bytes)
    return told


def fallen(free_bytes):
    """How much less was free at the end: the most of the last quarter against the most of the first.

    The most, not the mean: the collector takes whatever looks like an address for one, and so keeps an object of some
    240 bytes now and then for as long as chance has it. What leaks is gone from the most as well.
    """
    quarter = max(1, len(free_bytes) // 4)
    return max(free_bytes[:quarter]) - max(free_bytes[-quarter:])


def test_the_free_heap_does_not_fall():
    told = free_bytes_by_minute(round(60 * HOURS))
    settled = told[SETTLED:]
    print(f"{HOURS:g} h: {settled[0]:,} to {settled[-1]:,} bytes free, fallen by {fallen(settled):,}")
    assert min(told) > 60_000  # below this the box would have to collect under thrust
    assert fallen(settled) <= KEPT_BY_CHANCE


def test_a_small_leak_is_seen():
    leak = patched(
        "services/house.py",
        r"(            rounds \+= 1\n)",
        r"\1            self.kept = [getattr(self, 'kept', None)]\n",
    )
    assert fallen(free_bytes_by_minute(6, overlay=leak)[2:]) > KEPT_BY_CHANCE
