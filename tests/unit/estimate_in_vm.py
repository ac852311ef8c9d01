"""Runs in the MicroPython VM: recorded updates through the estimators, results to stdout; then the time of an update.

Lines in: the settings as a blob in hexadecimal, then the numbers of each update. Lines out: the results after each;
last `time`, microseconds of one update, and bytes of heap that one update leaves to be collected.
"""

import binascii
import gc
import sys
import time

from services.estimate import Estimator
from shared_proto.settings import Values

with open(sys.argv[1]) as f:
    lines = f.read().split("\n")
values = Values()
values.from_blob(binascii.unhexlify(lines[0]))
estimator = Estimator()
estimator.configure(values)
updates = []
for line in lines[1:]:
    if line:
        n = [int(x) for x in line.split()]
        updates.append((n[0] / 1000, n[1:9], n[9:17], n[17:21], n[21:25]))
for k, update in enumerate(updates):
    if k == len(updates) // 2:
        data = estimator.snapshot()
        estimator = Estimator()
        estimator.configure(values)
        estimator.restore(data, False)
    estimator.update(*update)
    e = estimator
    print(*(e.current_da + e.rest_cell_mv + e.sag_cell_mv + e.resistance_mohm_x10 + e.full_sag_cell_mv + e.charge_pm
            + [e.weakest_rest_cell_mv, e.minutes_left]))
gc.collect()
gc.disable()
began = time.ticks_us()
for update in updates[:400]:
    estimator.update(*update)
took_us = time.ticks_diff(time.ticks_us(), began)
gc.collect()
free = gc.mem_free()
for update in updates[:20]:
    estimator.update(*update)
used = free - gc.mem_free()
gc.enable()
gc.collect()
print("time", took_us / 400, used / 20, free - gc.mem_free())
