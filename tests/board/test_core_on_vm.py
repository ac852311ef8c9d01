"""The same core on CPython and in the MicroPython VM, step by step, and without an allocation in the step."""

import subprocess
import sys
from pathlib import Path

import core_corpus
import core_random

from shared_proto.states import BENCH_PHASES, CAUSE_STEP_FAILED
from tests import on_board

RUN = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"


def in_the_vm(folder: Path, script: str, *args: str) -> subprocess.CompletedProcess:
    """The core as a board gets it."""
    env = on_board.lay(folder, Path(script))
    command = [sys.executable, "-c", RUN, str(folder / Path(script).name), *args]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, check=False, env=env)


def test_every_step_is_the_same_on_both(tmp_path):
    lines: list[str] = []
    core_corpus.main(lambda *what: lines.append(" ".join(map(str, what))))
    done = in_the_vm(tmp_path, core_corpus.__file__)
    assert done.returncode == 0, done.stdout[-300:] + done.stderr[-2000:]
    theirs = done.stdout.splitlines()
    for n, (a, b) in enumerate(zip(lines, theirs, strict=True)):
        assert a == b, f"line {n + 1}"
    steps = [line.split() for line in lines if line[0].isdigit()]
    assert len(steps) >= 3000
    # The corpus goes everywhere that it should.
    assert {s[1] for s in steps} == {"0", "1", "2", "3", "4"}
    benched = [line.split() for line in lines if line.startswith("bench")]
    assert {int(s[1]) for s in benched} == set(range(1, len(BENCH_PHASES)))
    assert len({s[4] for s in benched}) >= 5  # why steps ended
    assert len({s[2] for s in steps}) >= 5  # causes
    assert len({s[4] for s in steps}) >= 5  # limits
    assert any(line.startswith("event") for line in lines)


def test_a_hundred_thousand_random_steps_allocate_nothing_and_are_the_same_on_both(tmp_path):
    ours: list[str] = []
    core_random.main(lambda *what: ours.append(" ".join(map(str, what))), 100_000, 1)
    done = in_the_vm(tmp_path, core_random.__file__, "100000", "1")
    assert done.returncode == 0, done.stdout[-300:] + done.stderr[-2000:]
    theirs = done.stdout.splitlines()
    for rig, (a, b) in enumerate(zip(ours, theirs, strict=True)):
        assert a == b, f"rig {rig + 1}: steps taken and CRC here, steps taken and CRC in the VM"
    assert int(ours[-2].split()[0]) >= 100_000
    # They go everywhere; words of bits, by number. Not met: NO_RIG, RESTART (a rig that wants more outputs) and a
    # step that failed, which random inputs must not reach.
    words = map(int, ours[-1].split()[1:])
    met = dict(zip(("state", "cause", "wait", "limit", "warning", "fault"), words, strict=True))
    assert not met["cause"] & 1 << CAUSE_STEP_FAILED
    count = {what: bits.bit_count() for what, bits in met.items()}
    assert count["state"] >= 4 and count["cause"] >= 8 and count["wait"] >= 12
    assert count["limit"] >= 11 and count["fault"] >= 5


def test_the_lock_of_the_heap_does_catch_an_allocation(tmp_path):
    script = tmp_path / "allocates.py"
    script.write_text("import micropython\nmicropython.heap_lock()\nx = [1] * 100\n")
    done = in_the_vm(tmp_path, str(script))
    assert "heap is locked" in done.stdout + done.stderr
