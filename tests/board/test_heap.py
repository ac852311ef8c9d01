"""The heap of the board: what code takes of it, and a box whose code lies on it."""

import pytest
from bench_host import Host, arm, make_box

from barbox.onboard import compiled, prepare
from barbox.sim import vm
from barbox.sim.board import LEFT
from barbox.sim.firmware import board_files
from shared_proto import states

# A 32-bit VM had 135,600 bytes for all modules as bytecode, where half of what this one had was 100,800: for 84,500
# bytes of .mpy files, so much for each of theirs (measured once, on a WebAssembly build of MicroPython 1.27).
LEFT_OUT = (135_600 - 100_800) / 84_500


def without_machine_code(files):
    return {path: content.replace(b"@micropython.native\n", b"\n") for path, content in files.items()}


def mpy_bytes(files):
    return sum(len(content) for path, content in compiled(files).items() if path.endswith(".mpy"))


def test_what_halving_leaves_out_is_what_the_compiler_makes():
    files = prepare(board_files())
    bytecode = mpy_bytes(without_machine_code(files))
    machine_code = mpy_bytes(files) - bytecode
    assert LEFT_OUT * bytecode + machine_code == pytest.approx(vm.CODE_BYTES, rel=0.05)


def test_a_box_rides_with_its_code_on_the_heap():
    """Collections take longer than a frame then: frames are left out and counted, and nothing is held."""
    with make_box(code_bytes=vm.CODE_BYTES) as box, Host(box) as host:
        host.ride(1)
        arm(box)
        box.move_lever(600)
        host.ride(20)
        assert host.status.state == states.DRIVING and host.status.pulse_us[LEFT] > 1400
        assert 0 < host.status.overruns < 100
        box.move_lever(0)
        host.ride(12)
        assert 40_000 < host.hello().heap_free_bytes < 75_000
