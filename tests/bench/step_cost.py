"""What one control step takes in the VM, and what that suggests for the RP2040.

Two things are counted that do not depend on how busy this machine is: the operations of a step by kind
(`step_ops.py`), and the instructions of the VM by valgrind. The first are charged by a table of what they cost on
the board; the second say how much of a step the operations explain, and what machine code saves of each kind.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

_HERE = Path(__file__).parent
sys.path.insert(0, str(_HERE.parents[1]))

from tests import on_board  # noqa: E402

_STEP, _OPS = "step_in_vm.py", "ops_in_vm.py"
_BUDGET_US = 2000
_VM = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
_STEPS = (1000, 3000)  # their difference leaves out what comes before
_ROUNDS = 20000  # of four operations

# Microseconds as bytecode, measured on MicroPython's RP2040 build at 125 MHz in an emulator with a flash cache. A
# comparison is charged as an integer operation, a global name as an attribute (both are looked up in a dict), a store
# to an item as one to an attribute, a copy of a local as half of an integer operation; the rest is measured.
BOARD_US = {
    "integer": 4, "compare": 4, "move": 2, "attribute": 3, "attribute store": 4, "item": 4, "item store": 4,
    "global": 3, "method call": 20, "function call": 13, "builtin call": 15,
}  # fmt: skip
CALLS = ("method call", "function call", "builtin call")  # machine code is not counted on to make them cheaper
_HALF = 0.5  # what machine code leaves of bytecode, where valgrind cannot tell


def _command(firmware: Path, script: str, *args: str) -> tuple[list[str], dict[str, str]]:
    env = {**os.environ, "MICROPYPATH": f"{firmware}:.frozen", "PYTHONHASHSEED": "0"}
    return [sys.executable, "-c", _VM, str(firmware / script), *args], env


def _vm(firmware: Path, *args: str) -> str:
    command, env = _command(firmware, *args)
    return subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout


def _instructions(firmware: Path, *args: str) -> int:
    command, env = _command(firmware, *args)
    valgrind = ["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", *command]
    said = subprocess.run(valgrind, env=env, capture_output=True, text=True, check=True).stderr
    found = re.search(r"Collected : (\d+)", said)
    assert found, said
    return int(found[1])


def _step_instructions(firmware: Path) -> float:
    def both(what: str) -> int:
        less, more = (_instructions(firmware, _STEP, what, str(n)) for n in _STEPS)
        return more - less

    return (both("steps") - both("feeds")) / (_STEPS[1] - _STEPS[0])


def _operation_instructions(firmware: Path, mark: str) -> dict[str, float]:
    """Instructions of one operation of each kind; a call with those of an empty function."""

    def run(kind: str) -> int:
        return _instructions(firmware, _OPS, kind, str(_ROUNDS), mark)

    nothing = run("nothing")
    return {kind: max(0.0, (run(kind) - nothing) / _ROUNDS / 4) for kind in BOARD_US if kind != "builtin call"}


def _operations(firmware: Path) -> Counter[tuple[str, bool]]:
    """Operations of one step: (kind, whether compiled to machine code) to how many."""
    command = [sys.executable, str(_HERE / "step_ops.py"), "200", str(firmware)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: Counter[tuple[str, bool]] = Counter()
    for _, native, kind, count in json.loads(done.stdout):
        found[kind, native] += count
    return found


def _as_bytecode(firmware: Path) -> Path:
    """A copy of the firmware without machine code."""
    copy = firmware.with_name("bytecode")
    shutil.copytree(firmware, copy)
    for path in (copy / "core").glob("*.py"):
        path.write_text(path.read_text().replace("@micropython.native\n", "\n"))
    return copy


def step_rows() -> list[tuple[str, str, str]]:
    """Rows for the table of `run.py`."""
    with tempfile.TemporaryDirectory() as folder:
        firmware = Path(folder) / "firmware"
        on_board.lay(firmware, _HERE / _STEP, _HERE / _OPS)
        bytecode = _as_bytecode(firmware)
        rows = []
        for name, code in (("machine code where the core asks for it", firmware), ("all bytecode", bytecode)):
            best_us = min(float(_vm(code, _STEP, "time", "20000")) for _ in range(5))
            rows.append((f"one control step in the VM, {name}", f"{best_us:.1f} us",
                         "4 sense inputs, 2 new readings a step, driving; mean of 20,000, best of 5 runs"))  # fmt: skip
        counted = _operations(firmware)
        shares = {kind: 1.0 if kind in CALLS else _HALF for kind in BOARD_US}
        explained = None
        if shutil.which("valgrind"):
            as_is, plain = _step_instructions(firmware), _step_instructions(bytecode)
            how = f"callgrind, {_STEPS[1]:,} steps less {_STEPS[0]:,}, per step; {plain:,.0f} as bytecode"
            rows.append(("instructions of one step", f"{as_is:,.0f}", how))
            of_bytecode, of_native = (
                _operation_instructions(firmware, mark) for mark in ("bytecode", "native")
            )
            shares.update({k: of_native[k] / of_bytecode[k] for k in of_bytecode if k not in CALLS})
            told = {False: of_bytecode, True: of_native}
            explained = sum(n * told[native].get(kind, 0) for (kind, native), n in counted.items()) / as_is
        else:
            rows.append(("instructions of one step", "-", "valgrind is not installed"))
    kinds = ", ".join(f"{sum(counted[k, m] for m in (False, True)):.0f} {k}" for k in BOARD_US)
    rows.append(("operations of one step", f"{sum(counted.values()):.0f}",
                 f"{kinds}; counted on CPython from the source"))  # fmt: skip
    board_us = sum(n * BOARD_US[k] * (shares[k] if native else 1) for (k, native), n in counted.items())
    how = "a half of opcode work in machine code"
    if explained is not None:
        opcodes = ", ".join(f"{shares[k]:.2f} {k}" for k in shares if k not in CALLS)
        how = f"machine code leaves, of the instructions of bytecode: {opcodes}"
    rows.append(("estimate for the RP2040, operations", f"{board_us / 1000:.2f} ms",
                 f"each by what it costs on the board; {how}; of calls all"))  # fmt: skip
    if explained is not None:
        rows.append(("estimate for the RP2040, whole step", f"{board_us / explained / 1000:.2f} ms",
                     f"the operations explain {100 * explained:.0f} % of the instructions; the rest at the same rate; "
                     f"budget {_BUDGET_US / 1000:.0f} ms; never run on a board"))  # fmt: skip
    return rows


if __name__ == "__main__":
    for row in step_rows():
        print(*row, sep="  ")
