"""Runs in the MicroPython VM: `ops_in_vm.py KIND COUNT MARK` does four operations of a kind COUNT times, for a count
of instructions from outside. MARK is `bytecode` or `native`. The kinds are those of `step_ops.py`."""

import sys

FOUR = {
    "nothing": "pass",
    "integer": "a = b + 5; b = a - 5; a = b + 5; b = a - 5",
    "compare": "\n  if a < b:\n   pass\n  if b < a:\n   pass\n  if a < b:\n   pass\n  if b < a:\n   pass",
    "move": "c = a; d = b; c = a; d = b",
    "attribute": "c = t.x; c = t.y; c = t.x; c = t.y",
    "attribute store": "t.x = a; t.y = a; t.x = a; t.y = a",
    "item": "c = l[b]; c = l[a]; c = l[b]; c = l[a]",
    "item store": "l[a] = a; l[a] = b; l[b] = a; l[a] = b",
    "global": "c = G; c = H; c = G; c = H",
    "method call": "t.m(a, b); t.m(a, b); t.m(a, b); t.m(a, b)",
    "function call": "f(a, b); f(a, b); f(a, b); f(a, b)",
}
SOURCE = """
import micropython
class Thing:
 def __init__(self):
  self.one = self.x = self.two = self.three = self.y = self.four = self.five = 1
 @MARK
 def m(self, a, b):
  pass
@MARK
def f(a, b):
 pass
@MARK
def run(t, l, f, count):
 a = 1
 b = 2
 c = d = 0
 for _ in range(count):
  FOUR
"""
G = H = 1

kind, count, mark = sys.argv[1], int(sys.argv[2]), sys.argv[3]
source = SOURCE.replace("@MARK", "@micropython.native" if mark == "native" else "").replace("FOUR", FOUR[kind])
exec(source, globals())
run(Thing(), [0] * 8, f, count)  # noqa: F821
