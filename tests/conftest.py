"""For all tests: what is drawn is the same each time, and nothing may fail because the machine is busy.

`BARBOX_FRESH=1 make test` draws anew: the examples of hypothesis, and the number that a session with a box begins with.

Cases crossed with moments would be the most of a run's time. A test marked `chequered` takes them like the black
squares of a board: each case at half of the moments, each moment with half of the cases. `BARBOX_EVERY=1` takes all.
"""

import os
import random

import pytest
from hypothesis import settings

from barbox.link import client

FRESH = bool(os.environ.get("BARBOX_FRESH"))
EVERY = bool(os.environ.get("BARBOX_EVERY"))

settings.register_profile("barbox", deadline=None, derandomize=not FRESH)
settings.load_profile("barbox")


def pytest_collection_modifyitems(config, items):
    if EVERY:
        return
    seen = {}
    white = [item for item in items if _is_white(item, seen)]
    config.hook.pytest_deselected(items=white)
    left_out = set(white)
    items[:] = [item for item in items if item not in left_out]


def _is_white(item, seen):
    """`seen`: the values of each parameter of each test so far, in their order."""
    spec = getattr(item, "callspec", None)
    if spec is None or len(spec.params) < 2 or not item.get_closest_marker("chequered"):
        return False
    place = 0
    for name, value in spec.params.items():
        values = seen.setdefault((item.path, item.originalname, name), [])
        if value not in values:
            values.append(value)
        place += values.index(value)
    return place % 2 == 1


def pytest_configure(config):
    """A core for each worker: two of them on one core while another idles would double the time of a run."""
    worker = getattr(config, "workerinput", None)
    if worker and hasattr(os, "sched_setaffinity"):
        cores = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {cores[int(worker["workerid"].removeprefix("gw")) % len(cores)]})


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    if not FRESH:
        rng = random.Random(item.nodeid)
        client.draw_number = lambda: rng.randint(1, 0xFFFF)
