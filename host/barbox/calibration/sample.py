"""What the box reads at its sense inputs, as bare codes of the ADC, with their noise."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt

import numpy as np

from barbox.errors import BoxError
from barbox.link.client import UPDATE, Client, Refused
from barbox.link.stream import Stream
from barbox.records import Status
from shared_proto import messages, states

LEAST = 20  # readings for a mean
MOST = 60  # the latest so many count
_PATIENCE = 40  # status messages without a new reading of an input
_MOVED = 6.0  # between both halves, in standard deviations of their difference


@dataclass(frozen=True)
class Sample:
    """Mean of `readings` codes and their standard deviation, drift taken off; `moved`: last half less first.

    `calm_sd` is the standard deviation without the largest step between neighbours: one jump would hide in its own
    noise otherwise.
    """

    code: float
    sd: float
    readings: int
    moved: float = 0.0
    calm_sd: float = 0.0

    def u_mean(self, step: float) -> float:
        """Standard uncertainty of the mean, in codes. `step`: one code of the converter itself.

        The standard deviation over the square root of the number (JCGM 100:2008, 4.2.3). Noise below half a step
        averages nothing: the step stays, rectangular.
        """
        coarse = step / sqrt(12) if self.sd < step / 2 else 0.0
        return sqrt(self.sd**2 / self.readings + coarse**2)

    def u_single(self, step: float) -> float:
        """Standard deviation of one reading, in codes; never below what the step alone makes."""
        return max(self.sd, step / sqrt(12))

    def steady(self, step: float) -> bool:
        """Whether the voltage stood still but for noise and a step of the converter."""
        return abs(self.moved) <= step + _MOVED * max(self.calm_sd, step / sqrt(12)) * 2 / sqrt(self.readings)


def sample(codes: Iterable[float]) -> Sample:
    """The sample of these codes, at least four. The noise is that of neighbours, which a slow drift leaves alone."""
    c = np.asarray(list(codes), float)
    half = len(c) // 2
    squares = np.sort(np.diff(c) ** 2)
    sd, calm_sd = (sqrt(float(np.mean(s)) / 2) for s in (squares, squares[:-1]))
    return Sample(float(c.mean()), sd, len(c), float(c[half:].mean() - c[:half].mean()), calm_sd)


class Sampler:
    """Asks the box for its codes at the pace of its status messages, which also say that it is LOCKED.

    `status` is the latest. Every method raises BoxError: not LOCKED, silent, lost, or firmware too old.
    """

    def __init__(self, client: Client, inputs: Iterable[int]) -> None:
        self._client = client
        self._inputs = tuple(inputs)
        self._stream: Stream = client.subscribe()
        self._codes: dict[int, deque[int]] = {n: deque(maxlen=MOST) for n in self._inputs}
        self._number: dict[int, int] = {}
        self.status: Status | None = None

    def clear(self) -> None:
        """Forget all readings so far, and what waits in the stream."""
        self._stream.take()
        self._number.clear()
        for codes in self._codes.values():
            codes.clear()

    async def step(self) -> Status:
        """The next status, with the codes of that moment."""
        while True:
            try:
                record = await self._stream.next(None)
            except BoxError as error:
                raise BoxError(f"{error}; nothing was written") from error
            if record is None:
                raise BoxError("the link was closed; nothing was written")
            if isinstance(record, Status):
                break
        refuse_unless_locked(record.state)
        self.status = record
        if self._inputs:
            try:
                codes = await self._client.request(messages.SENSE_GET)
            except Refused as error:
                if error.reason == states.REFUSE_UNKNOWN_REQUEST:
                    raise BoxError(f"the box's firmware does not tell its bare codes; {UPDATE}") from error
                raise
            refuse_unless_locked(codes.state)
            for n in self._inputs:
                if self._number.get(n) not in (None, codes.reading[n]):
                    self._codes[n].append(codes.code[n])
                self._number[n] = codes.reading[n]
        return record

    async def collect(self, inputs: Iterable[int], least: int = LEAST) -> dict[int, Sample]:
        """Samples of at least so many readings of each input, from what has come in since `clear`."""
        inputs = tuple(inputs)
        missed = 0
        while any(len(self._codes[n]) < least for n in inputs):
            before = [len(self._codes[n]) for n in inputs]
            await self.step()
            missed = missed + 1 if before == [len(self._codes[n]) for n in inputs] else 0
            if missed >= _PATIENCE:
                silent = next(n for n in inputs if len(self._codes[n]) < least)
                raise BoxError(f"sense input {silent + 1} gives no new reading: look at its ADC; nothing was written")
        return {n: sample(self._codes[n]) for n in inputs}

    def so_far(self, n: int) -> Sample | None:
        """What has come in of input n, None for too little."""
        return sample(self._codes[n]) if len(self._codes[n]) >= 4 else None

    def close(self) -> None:
        """Take no more records."""
        self._stream.close()


def refuse_unless_locked(state: int) -> None:
    """Raise BoxError unless the box is LOCKED."""
    if state != states.LOCKED:
        raise BoxError(
            f"the box is {states.name(states.STATES, state)}, and this needs it LOCKED, with nothing running: bring "
            "the lever to rest, press the arm button once and try again; nothing was written"
        )
