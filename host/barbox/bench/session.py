"""One bench run on a box: ask, wait for the button, beat, step after step, end. Talks to the box and to nobody else.

The box needs to hear this program all the time. Whatever ends it (Ctrl-C, a crash, a closed lid, a cable that is
pulled) ends the beats, and the box goes to idle pulses by itself. So nothing may hold up the event loop: read
from a person in a thread.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from statistics import fmean
from typing import Any

from barbox.errors import BoxError
from barbox.link.client import Client
from barbox.link.stream import Stream
from barbox.records import Event, Status
from shared_proto import messages, states
from shared_proto.messages import NOT_KNOWN_MV, Message

BEAT_S = 0.05
"""Between two beats; the box waits for the time of its offer, about three times as long."""

ALL = 0
"""In place of a side: all of them at once."""

_END_S = 0.3  # one try to end the run in good order; without it the box ends it by itself


class NobodyArmed(BoxError):
    """Nobody held the arm button within the time that the box gives for it."""


class BenchStopped(BoxError):
    """The run is over and was not ended by this program. `cause` is a row of `states.CAUSES`, 0 for none; `step` the
    step that was under way, if any."""

    def __init__(self, url: str, status: Status) -> None:
        self.step: Step | None = None  # the step under way, as far as it came
        self.cause = status.cause if status.state == states.HELD else states.CAUSE_NONE
        if status.state == states.HELD:
            why = f"the box stopped the bench run: {states.words(states.CAUSES, status.cause)}"
        elif status.bench_end == states.ENDED_RUN:
            why = "the longest bench run is over; begin another"
        else:
            why = f"the bench run is over: the box is {states.name(states.STATES, status.state)}"
        super().__init__(f"{url}: {why}")


@dataclass
class Step:
    """What came of one step. `side` from 1, or ALL; times are of the box's clock.

    `before` is the last status at idle, `under` those while its pulse was made, in order. `end` is a row of
    `states.BENCH_ENDS`; a step that nobody held, or that was withdrawn, has no `under` and `ran_ms` 0.
    """

    what: int
    side: int
    pulse_pm: int
    before: Status
    under: list[Status] = field(default_factory=list)
    withheld_ms: int | None = None  # when the last pulse was handed over, of a step that withholds
    held_ms: int | None = None  # when a protective stop ended it
    end: int = states.ENDED_NONE
    ran_ms: int = 0

    @property
    def ended(self) -> str:
        """Why it ended, in plain words."""
        return states.words(states.BENCH_ENDS, self.end)

    @property
    def steady(self) -> list[Status]:
        """Those of `under` in which the ramp had reached the step's pulse and pulses were made."""
        return [s for s in self.under if s.demand_pm == self.pulse_pm and s.bench_phase == states.BENCH_RUNNING]

    def means(self, settle_s: float) -> Means | None:
        """Means from `settle_s` after the pulse was reached; None when the step was over before."""
        steady = self.steady
        if not steady:
            return None
        from_ms = steady[0].time_ms + 1000 * settle_s
        return Means.of([s for s in steady if s.time_ms >= from_ms])


@dataclass(frozen=True)
class Means:
    """Means over `count` status messages in `seconds`: in V at each sense input and of the section below it, in A of
    each side, in us of each side. None where the box did not know it in all of them."""

    count: int
    seconds: float
    sense_v: tuple[float | None, ...]
    section_v: tuple[float | None, ...]
    current_a: tuple[float | None, ...]
    pulse_us: tuple[float, ...]

    @classmethod
    def of(cls, statuses: list[Status]) -> Means | None:
        """None for no status at all."""
        if not statuses:
            return None
        return cls(
            len(statuses),
            (statuses[-1].time_ms - statuses[0].time_ms) / 1000,
            _means([s.sense_mv for s in statuses], 1000),
            _means([s.section_mv for s in statuses], 1000),
            _means([s.current_da for s in statuses], 10),
            tuple(fmean(column) for column in zip(*[s.pulse_us for s in statuses], strict=True)),
        )


def _means(rows: list[tuple[int, ...]], scale: int) -> tuple[float | None, ...]:
    return tuple(
        None if NOT_KNOWN_MV in column else fmean(column) / scale for column in zip(*rows, strict=True)
    )


class Session:
    """One run. `async with Session(client) as run` asks the box; then `entered()`, `step(...)` and so on.

    sleep      waits for so many seconds of the box's time (a simulated box has its own)
    on_status  called with each status as it comes
    """

    def __init__(
        self,
        client: Client,
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        on_status: Callable[[Status], object] = lambda _: None,
    ) -> None:
        self._client = client
        self._sleep = sleep
        self._on_status = on_status
        self._offer: Any = None
        self._beat_count = 0
        self._count = 0  # of all other messages
        self._stream: Stream | None = None
        self._beats: asyncio.Task[None] | None = None
        self._latest: Status | None = None
        self._over = False

    @property
    def offer(self) -> Any:
        """What the box allows in this run: the record BENCH_OFFER."""
        if self._offer is None:
            raise BoxError("no bench run has been asked for")
        return self._offer

    async def __aenter__(self) -> Session:
        """Ask for a run. Raises Refused unless the box is LOCKED, BoxError."""
        self._stream = self._client.subscribe()
        try:
            self._offer = await self._client.request(messages.BENCH_ASK)
        except BaseException:
            self._stream.close()
            raise
        self._beats = asyncio.create_task(self._beat())
        return self

    async def __aexit__(self, *_: object) -> None:
        """End the run, in good order where the box still listens; pulses are idle either way."""
        try:
            if not self._over and self._client.lost is None:
                await self._say(messages.BENCH_END, timeout_s=_END_S, tries=1)
        except BoxError:
            pass  # it is over already, or will be as soon as the box misses the beats
        finally:
            self._over = True
            if self._beats:
                self._beats.cancel()
                await asyncio.wait({self._beats})
            if self._stream:
                self._stream.close()

    async def entered(self, on_waits: Callable[[str], object] = lambda _: None) -> None:
        """Wait until somebody has held the arm button at the box, and the first rest is over.

        `on_waits` gets what arming waits for, in plain words, whenever that changes. Raises NobodyArmed when nobody
        did within the box's 30 s, BenchStopped.
        """
        told = None
        asked = False
        while True:
            status = await self._status()
            if status.state == states.BENCH:
                if status.bench_phase == states.BENCH_IDLE:
                    return
            elif status.state != states.LOCKED:
                raise self._stopped(status)
            elif status.bench_phase == states.BENCH_ASKED:
                asked = True
                if status.waits != told:
                    told = status.waits
                    on_waits(states.words(states.WAITS, told))
            elif asked:
                self._over = True
                raise NobodyArmed(f"{self._client.link.url}: nobody held the arm button at the box; ask again")

    async def idle(self) -> Status:
        """Wait until the box takes a step; returns a status from then. Raises BenchStopped."""
        while True:
            status = await self._status()
            self._check(status)
            if status.bench_phase == states.BENCH_IDLE:
                return status

    async def step(
        self,
        side: int,
        pulse_pm: int,
        time_s: float | None = None,
        what: int = states.BENCH_THRUST,
        on_phase: Callable[[int], object] = lambda _: None,
    ) -> Step:
        """One step: readied now, run while somebody at the box holds it. Returns when it is over.

        side      from 1, or ALL
        pulse_pm  per mille of the pulse span, idle to full
        time_s    longest time, ramp included; left out: the longest that the box allows
        what      row of `states.BENCH_KINDS`
        on_phase  called with each new row of `states.BENCH_PHASES`

        Raises Refused for what the box does not allow, BenchStopped when the run is over, BoxError.
        """
        # What came while somebody typed is of another moment: it would pass for the end of this step.
        assert self._stream is not None
        self._stream.close()
        self._stream = self._client.subscribe()
        done = Step(what, side, pulse_pm, await self.idle())
        time_ms = self.offer.step_ms if time_s is None else round(1000 * time_s)
        await self._say(messages.BENCH_STEP, what, side, pulse_pm, time_ms)
        phase = idle_seen = 0
        while True:
            record = await self._next()
            if isinstance(record, Event):
                if record.time_ms <= done.before.time_ms:
                    continue  # of the step before
                if record.event == states.EVENT_BENCH_WITHHELD:
                    done.withheld_ms = record.time_ms
                elif record.event == states.EVENT_STATE and record.a == states.HELD:
                    done.held_ms = record.time_ms
                elif record.event == states.EVENT_BENCH_END:
                    done.end, done.ran_ms = record.a, record.b
                continue
            if record.bench_phase != phase:
                phase = record.bench_phase
                on_phase(phase)
            if record.state != states.BENCH:
                # A status may be made between the stop and the end of the step, and has the end of the step before.
                done.end = done.end or (states.ENDED_HELD if record.state == states.HELD else record.bench_end)
                stopped = self._stopped(record)
                stopped.step = done
                raise stopped
            if phase in (states.BENCH_RUNNING, states.BENCH_WITHHELD):
                done.under.append(record)
            elif phase in (states.BENCH_RESTING, states.BENCH_IDLE):
                # The first may have been made before the box took the step up.
                idle_seen += 1
                if done.end or record.bench_steps != done.before.bench_steps or idle_seen > 2:
                    done.end = done.end or record.bench_end
                    return done

    async def watch(self, seconds: float) -> list[Status]:
        """The statuses of so many seconds of the box's time from now on, also after the run was stopped: to see what
        a string does then. Raises BoxError."""
        seen = [await self._status()]
        while seen[-1].time_ms - seen[0].time_ms < 1000 * seconds:
            seen.append(await self._status())
        return seen

    async def drop(self) -> None:
        """End the step that runs, or withdraw it; the run goes on. May be called while `step` waits."""
        await self._say(messages.BENCH_DROP)

    # -- inside -----------------------------------------------------------------------------------------------------

    async def _say(self, message: Message, *values: Any, **how: Any) -> Any:
        self._count += 1
        return await self._client.request(message, self.offer.token, self._count, *values, **how)

    async def _beat(self) -> None:
        while self._client.lost is None:
            self._beat_count += 1
            try:
                await self._client.tell(messages.BENCH_BEAT, self.offer.token, self._beat_count)
            except BoxError:
                return  # whoever reads the stream is told
            await self._sleep(BEAT_S)

    async def _next(self) -> Status | Event:
        assert self._stream is not None
        record = await self._stream.next()
        if record is None:
            raise BoxError(f"{self._client.link.url}: the link was closed in a bench run")
        if isinstance(record, Status):
            self._latest = record
            self._on_status(record)
        return record

    async def _status(self) -> Status:
        while True:
            record = await self._next()
            if isinstance(record, Status):
                return record

    def _check(self, status: Status) -> None:
        if status.state != states.BENCH:
            raise self._stopped(status)

    def _stopped(self, status: Status) -> BenchStopped:
        self._over = True
        return BenchStopped(self._client.link.url, status)
