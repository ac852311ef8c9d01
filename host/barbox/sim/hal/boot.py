"""Starts the simulated board: the hardware modules, the flash as the root of the file system, then main.py.

argv: descriptor from the host, on which a line of JSON options comes first (see barbox.sim.vm; an argument of the VM
holds 255 bytes at most), descriptor to the host. Runs before any firmware; what it leaves behind is a MicroPython that
takes itself for an RP2040.
"""

import gc
import json
import sys

import vfs


class _Over:
    """A built-in module with some names replaced. (A built-in cannot be assigned to, but it can be shadowed.)"""

    def __init__(self, module):
        self._module = module

    def __getattr__(self, name):
        return getattr(self._module, name)


def over(name):
    module = _Over(__import__(name))
    sys.modules[name] = module
    return module


real_sys = sys
_from_host = open(int(sys.argv[1]), "rb")
options = json.loads(_from_host.readline())

import _bus  # noqa: E402
import _streams  # noqa: E402

_bus.cost.update(options["costs"])
_bus.ticks_base = options["ticks_base_us"]
_streams.open_on(sys)
_to_host = open(int(sys.argv[2]), "wb")

over_sys = over("sys")
over_sys.stdin = _streams.stdin
over_sys.stdout = _streams.stdout

import _tasks  # noqa: E402

_asyncio = _Over(None)
_asyncio.TaskQueue = _tasks.TaskQueue
_asyncio.Task = _tasks.Task
real_sys.modules["_asyncio"] = _asyncio

import asyncio  # noqa: E402, F401
import select  # noqa: E402, F401
import time  # noqa: E402, F401

import _flash  # noqa: E402
import _parts  # noqa: E402
import machine  # noqa: E402
import rp2  # noqa: E402, F401

_parts.configure(options["seed"])
machine.configure(options["reset_cause"], bytes.fromhex(options["serial"]), options["scratch"])
asyncio.StreamReader  # load it before the root changes  # noqa: B018
asyncio.wait_for_ms  # noqa: B018
asyncio.gather  # noqa: B018

over_micropython = over("micropython")
over_micropython.alloc_emergency_exception_buf = lambda n: None
over_micropython.kbd_intr = _streams.kbd_intr

# Bytes on this 64-bit VM count for about half as many on the board (see barbox.sim.vm).
over_gc = over("gc")
over_gc.mem_free = lambda: gc.mem_free() // 2
over_gc.mem_alloc = lambda: gc.mem_alloc() // 2 - options["beside_bytes"]


def collect():
    gc.collect()
    live = over_gc.mem_alloc()
    _bus.hold(_bus.cost["gc_base"] + max(0, live - _bus.cost["gc_base_bytes"]) * _bus.cost["gc_kilobyte"] // 1000)


over_gc.collect = collect

flash = _flash.Flash(options["flash"], options["sectors"])
vfs.umount("/")
try:
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/")
except OSError:
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/")
real_sys.path[:] = ["", ".frozen", "/lib"]

if "copy" in options:
    # Fill the flash and leave: [[path, hex of the content], ...] comes on stdin, a line each.
    import os

    for line in real_sys.stdin:
        path, content = line.split()
        parts = path.split("/")
        for n in range(1, len(parts)):
            try:
                os.mkdir("/".join(parts[:n]))
            except OSError:
                pass
        with open(path, "wb") as f:
            f.write(bytes.fromhex(content))
    vfs.umount("/")
    _bus.connect(_to_host, _from_host)  # tells that it is done
    raise SystemExit

_bus.connect(_to_host, _from_host)
_drawn = options["random"] & 0x7FFFFFFF


def urandom(n):
    """Bytes that are the same in each run with the same seed, and others after each start."""
    global _drawn
    drawn = bytearray(n)
    for i in range(n):
        _drawn = (1103515245 * _drawn + 12345) & 0x7FFFFFFF
        drawn[i] = _drawn >> 16 & 0xFF
    return bytes(drawn)


over("os").urandom = urandom


def charged(cls, name, cost):
    """Let `cls.name` cost what is declared for it, before it does its work."""
    method = getattr(cls, name)

    def costly(*args):
        _bus.spend(_bus.cost[cost])
        return method(*args)

    setattr(cls, name, costly)


_bus.hold(options["boot_us"])
gc.collect()
try:
    _bus.log(_bus.STARTED, 0, gc.mem_alloc())
    try:
        from core.controller import Controller
        from services.canvas import Canvas

        charged(Controller, "step", "step")
        charged(Canvas, "stretch", "glyph")
    except Exception:
        pass  # a damaged file: main.py meets it again
    gc.collect()
    with open("main.py") as f:
        program = compile(f.read(), "main.py", "exec")
    _streams.kbd_intr(3)  # as MicroPython does: compiled, armed, run
    exec(program, {"__name__": "__main__"})
except SystemExit:
    raise
except BaseException as e:
    real_sys.print_exception(e, real_sys.stderr)
_streams.kbd_intr(-1)
# The program has ended: the board sits at its prompt until the watchdog or the power ends that.
_bus.wait(-1, lambda: False)
