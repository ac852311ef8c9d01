"""A box that is right for a bench run, and the way into one: LOCKED, asked, the arm button held."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from barbox.bench.run import Person, Stopped
from barbox.bench.session import NobodyArmed, Session
from barbox.errors import BoxError, UserError
from barbox.link.client import Client
from barbox.records import Status
from barbox.rig import Rig
from shared_proto import states
from shared_proto.settings import Values

T = TypeVar("T")


@dataclass(frozen=True)
class AtBox:
    """A box, whoever stands at it, and the time it lives in (a simulated box has its own)."""

    client: Client
    person: Person
    on_status: Callable[[Status], object] = lambda _: None
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep


async def check(at: AtBox, rig: Rig, sheet: Path) -> Values:
    """The settings of the box. Raises UserError: no serial link, another board or rig, an older sheet; BoxError: not
    LOCKED."""
    from barbox.link.serial import SerialLink

    client = at.client
    if not isinstance(client.link, SerialLink):
        raise UserError(f"{client.link.url}: nothing but a cable may move a fan: name a serial port with --box")
    status = await _status(at)
    if status.state != states.LOCKED:
        raise BoxError(f"{client.link.url}: {_to_lock(status)}; then try again")
    if client.identity.board != rig.board.name:
        raise UserError(
            f"{sheet}: rig.board is {rig.board.name}, and this box is a {client.identity.board}: correct the sheet or "
            "take the other box"
        )
    values = await client.read_values()
    if values.get("rig_crc") != rig.crc:
        has = client.identity.rig
        what = f'are those of "{has}"' if has else "are of no rig"
        if has == rig.name:
            what = "are of another state of this sheet"
        raise UserError(f"{sheet}: the settings of the box {what}: `barbox apply {sheet}` first")
    return values


async def locked(at: AtBox) -> None:
    """Wait until the box is LOCKED, and say what has to be done at it for that. Raises BoxError."""
    stream = at.client.subscribe()
    told = ""
    try:
        while True:
            status = await stream.next()
            if status is None:
                raise BoxError(f"{at.client.link.url}: the link was closed")
            if not isinstance(status, Status):
                continue
            at.on_status(status)
            if status.state == states.LOCKED:
                return
            if (todo := _to_lock(status)) != told:
                told = todo
                at.person.tell(todo)
    finally:
        stream.close()


@asynccontextmanager
async def in_run(at: AtBox) -> AsyncIterator[Session]:
    """A bench run, entered; asked for again as long as nobody holds the button. Ended in good order where that is
    possible. Raises Stopped, BenchStopped, BoxError."""
    while True:
        await locked(at)
        await enter(at.person, "ready:run", "Enter asks the box for a bench run; hold its arm button then (or stop)")
        async with Session(at.client, sleep=at.sleep, on_status=at.on_status) as session:
            try:
                await session.entered(lambda words: at.person.tell(f"at the box: {words}"))
            except NobodyArmed as nobody:
                at.person.tell(str(nobody))
                continue
            at.person.tell("the bench run has begun: fans may turn from now on")
            yield session
            return


async def while_heard(client: Client, work: Coroutine[Any, Any, T]) -> T:
    """What `work` returns; it is cancelled, and BoxError raised, as soon as the box is not heard any more, also while
    it waits for a person, who has nothing to type then."""
    done, ear = asyncio.ensure_future(work), asyncio.ensure_future(_unheard(client))
    try:
        await asyncio.wait({done, ear}, return_when=asyncio.FIRST_COMPLETED)
        if not done.done():
            ear.result()
        return done.result()
    finally:
        done.cancel()
        ear.cancel()
        await asyncio.gather(done, ear, return_exceptions=True)


async def _unheard(client: Client) -> None:
    """Raises BoxError when the link is lost or the box falls silent."""
    stream = client.subscribe()
    try:
        while await stream.next() is not None:
            pass
    finally:
        stream.close()


async def enter(person: Person, what: str, question: str) -> None:
    """Wait for Enter, and for nothing else. Raises Stopped for "stop"."""
    while typed := (await person.ask(what, question)).strip():
        if typed.lower() == "stop":
            raise Stopped
        person.tell(f'"{typed}" is neither Enter nor stop')


async def _status(at: AtBox) -> Status:
    stream = at.client.subscribe()
    try:
        while True:
            record: Any = await stream.next()
            if record is None:
                raise BoxError(f"{at.client.link.url}: the link was closed")
            if isinstance(record, Status):
                return record
    finally:
        stream.close()


def _to_lock(status: Status) -> str:
    name = states.name(states.STATES, status.state)
    if status.state == states.HELD:
        cause = states.words(states.CAUSES, status.cause)
        return (f"the box is HELD ({cause}): let go of lever and button, set right what stopped it, close the stop "
                "loop, and press the arm button once")
    if status.state == states.BENCH:
        return "the box is in another bench run: wait until that is over"
    return f"the box is {name}, and a bench run begins LOCKED: bring the lever to rest and press the arm button once"
