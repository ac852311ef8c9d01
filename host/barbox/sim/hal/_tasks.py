"""Stands in for the C half of asyncio, whose queue reads the host's clock: the same queue in virtual time.

A task that is taken from the run queue is charged the declared cost of a wake-up.
"""

from time import ticks_diff, ticks_ms

import _bus

_asyncio_core = None


def _core():
    """It imports this module; and to import it anew at each wake-up would be a tenth of the simulated board's time."""
    global _asyncio_core
    if _asyncio_core is None:
        import asyncio.core

        _asyncio_core = asyncio.core
    return _asyncio_core


class TaskQueue:
    def __init__(self):
        self._tasks = []

    def peek(self):
        return self._tasks[0] if self._tasks else None

    def push(self, task, key=None):
        task.data = None
        task.ph_key = key = ticks_ms() if key is None else key
        tasks = self._tasks
        i = len(tasks)
        while i and ticks_diff(tasks[i - 1].ph_key, key) > 0:
            i -= 1
        tasks.insert(i, task)

    def pop(self):
        task = self._tasks.pop(0)
        if self is _core()._task_queue:
            _bus.spend(_bus.cost["wakeup"])
        return task

    def remove(self, task):
        self._tasks.remove(task)


class Task:
    def __init__(self, coro, globals=None):
        self.coro = coro
        self.data = None  # what it waits on, an exception to throw into it, or its result
        self.state = True  # True running, None or False finished, a TaskQueue of those that wait for it
        self.ph_key = 0

    def __iter__(self):
        if not self.state:
            self.state = False
        elif self.state is True:
            self.state = TaskQueue()
        elif type(self.state) is not TaskQueue:
            raise RuntimeError("can't wait")
        return self

    def __next__(self):
        if not self.state:
            if self.data is None:
                raise StopIteration
            raise self.data
        core = _core()
        self.state.push(core.cur_task)
        core.cur_task.data = self

    def done(self):
        return not self.state

    def cancel(self):
        core = _core()
        if not self.state:
            return False
        if self is core.cur_task:
            raise RuntimeError("can't cancel self")
        task = self
        while isinstance(task.data, Task):
            task = task.data
        if hasattr(task.data, "remove"):
            task.data.remove(task)
            core._task_queue.push(task)
        elif ticks_diff(task.ph_key, ticks_ms()) > 0:
            core._task_queue.remove(task)
            core._task_queue.push(task)
        task.data = core.CancelledError
        return True
