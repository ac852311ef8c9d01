"""The same file in the MicroPython VM and in CPython gives the same estimates, and leaves nothing behind."""

import subprocess
import sys
from pathlib import Path

import pytest

from barbox.sim.vm import available
from services.estimate import Estimator
from tests import on_board
from tests.unit.estimator_rides import Bench, rig

pytestmark = pytest.mark.skipif(not available(), reason="no MicroPython VM here")

HEAP = ("-X", "heapsize=16m")  # the corpus is kept on it
SCRIPT = Path(__file__).with_name("estimate_in_vm.py")


class Recorder(Bench):
    """Keeps what every update was given."""

    def __init__(self, *args):
        super().__init__(*args)
        self.updates = []

    def tick(self, dt_s: float = 0.2):
        ms = 200 if len(self.updates) % 7 else 230
        lists = (self.sections_mv, self.cells, self.demand_pm, self.sensor_da)
        self.updates.append((ms, *(list(numbers) for numbers in lists)))
        return super().tick(ms / 1000)


@pytest.fixture(scope="module")
def recorded():
    values = rig((5, 5), 2, 10000, 100.0)
    recorder = Recorder(values, 0.8)
    recorder.hold(4)
    recorder.ride(4)
    recorder.sensor_da[0] = 400
    recorder.hold(10, 500)
    recorder.sections_mv[1] = 65535
    recorder.cells[3] = 10
    recorder.tick()
    recorder.cells[3] = 5
    recorder.hold(20, 900)
    return values, recorder.updates


def run_in_vm(values, updates, folder) -> list[str]:
    corpus = folder / "corpus.txt"
    lines = [values.to_blob().hex()]
    for ms, *lists in updates:
        lines.append(" ".join(str(v) for v in [ms, *(v for numbers in lists for v in numbers)]))
    corpus.write_text("\n".join(lines) + "\n")
    run = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
    env = on_board.lay(corpus.parent, SCRIPT)
    script = str(corpus.parent / SCRIPT.name)
    done = subprocess.run([sys.executable, "-c", run, *HEAP, script, str(corpus)], env=env, capture_output=True,
                          text=True, timeout=60)  # fmt: skip
    assert done.returncode == 0, done.stdout[-500:] + done.stderr[-2000:]
    return done.stdout.splitlines()


def run_here(values, updates) -> list[list[int]]:
    estimator = Estimator()
    estimator.configure(values)
    out = []
    for k, (ms, *lists) in enumerate(updates):
        if k == len(updates) // 2:
            data = estimator.snapshot()
            estimator = Estimator()
            estimator.configure(values)
            assert estimator.restore(data, False)
        estimator.update(ms / 1000, *lists)
        e = estimator
        out.append(e.current_da + e.rest_cell_mv + e.sag_cell_mv + e.resistance_mohm_x10 + e.full_sag_cell_mv
                   + e.charge_pm + [e.weakest_rest_cell_mv, e.minutes_left])  # fmt: skip
    return out


def test_both_interpreters_agree(recorded, tmp_path):
    *lines, last = run_in_vm(*recorded, tmp_path)
    theirs = [[int(v) for v in line.split()] for line in lines]
    ours = run_here(*recorded)
    assert len(theirs) == len(ours) > 1000
    for a, b in zip(theirs, ours, strict=True):
        assert all(abs(x - y) <= 1 for x, y in zip(a, b, strict=True))
    assert len({tuple(a) for a in ours}) > 500
    _, _, _, kept = last.split()
    assert float(kept) < 1024, f"{kept} bytes of heap kept by 20 updates"
    print("one update in the VM: {1} us, {2} bytes to collect".format(*last.split()))
