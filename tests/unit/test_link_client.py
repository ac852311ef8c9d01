"""The client over a link in memory: requests, retries, the stream and its counters."""

import asyncio

import pytest
from fake_box import FakeBox, MemoryLink, body_of

from barbox.errors import BoxError
from barbox.link.client import Client, Refused
from barbox.records import Event, Status
from shared_proto import frames, messages, settings, states

FAST = {"timeout_s": 0.005, "tries": 3, "silence_s": 0.01}


def run(coroutine):
    return asyncio.run(asyncio.wait_for(coroutine, 5))


def joined(box=None, **options):
    box = box or FakeBox()
    return box, Client(MemoryLink(box), **(FAST | options))


async def settle():
    for _ in range(5):
        await asyncio.sleep(0)


def test_open_keeps_the_identity():
    async def go():
        _, client = joined()
        async with client:
            assert (client.identity.rig, client.identity.board) == ("trike", "pico_w")
            assert client.identity.reset == states.RESET_POWER

    run(go())


def test_a_retry_carries_the_same_number_and_is_done_once():
    async def go():
        box, client = joined(first_number=65535)
        box.ignore_first = 2
        async with client:
            await client.set_time(1_700_000_000)
        hello, time_set = messages.HELLO.kind, messages.TIME_SET.kind
        assert box.heard == [(hello, 65535)] * 3 + [(time_set, 1)] * 3
        assert box.done == [(hello, 65535), (time_set, 1)]
        assert box.unix_s == 1_700_000_000

    run(go())


def test_a_late_answer_is_not_taken_for_the_next_request():
    async def go():
        box, client = joined()
        async with client:
            box.mute = True
            with pytest.raises(BoxError, match="stopped answering"):
                await client.request(messages.SETTING_COMMIT)
            box.mute = False
            box.send(frames.encode(messages.DONE.pack(box.heard[-1][1])))
            assert (await client.request(messages.SETTING_GET, 2, 0)).row == 2
            assert client.strays == 1

    run(go())


def test_answers_of_two_tasks_are_not_mixed_up():
    async def go():
        box, client = joined()
        async with client:
            sides, hz = settings.ROWS["sides"], settings.ROWS["stream_hz"]
            assert await asyncio.gather(client.get_setting(sides), client.get_setting(hz)) == [2, 10]

    run(go())


def test_settings_put_commit_drop():
    async def go():
        box, client = joined()
        async with client:
            row = settings.ROWS["side.curve"]
            curve = tuple(range(0, 1001, 100))
            half = tuple(v // 2 for v in curve)
            assert await client.get_setting(row, 1) == curve
            await client.put_setting(row, 1, half)
            await client.drop()
            await client.commit()
            assert await client.get_setting(row, 1) == curve
            await client.put_setting(row, 1, half)
            await client.commit()
            assert await client.get_setting(row, 1) == half
            assert (await client.read_values()).rows == box.values.rows
            with pytest.raises(ValueError, match="outside"):
                await client.put_setting(settings.ROWS["stream_hz"], 0, 26)

    run(go())


@pytest.mark.parametrize("reason", range(len(states.REFUSALS)))
def test_a_refusal_says_why_in_words(reason):
    async def go():
        box, client = joined()
        async with client:
            box.refuse = reason
            with pytest.raises(Refused) as told:
                await client.commit()
            assert told.value.reason == reason
            assert states.REFUSALS[reason][1] in str(told.value)
            assert told.value.exit_code == 3

    run(go())


def test_another_major_version_names_both_versions():
    async def go():
        _, client = joined(FakeBox(major=messages.MAJOR + 1))
        with pytest.raises(
            BoxError, match=rf"version {messages.MAJOR + 1}\.{messages.MINOR} and this program {messages.MAJOR}\."
        ):
            await client.open()
        box, client = joined()
        box.refuse = states.REFUSE_VERSION
        with pytest.raises(BoxError, match="install the firmware"):
            await client.open()

    run(go())


def test_another_settings_table_is_told_before_any_setting_moves():
    async def go():
        box, client = joined(FakeBox(settings_crc=1))
        async with client:
            with pytest.raises(BoxError, match="settings table"):
                await client.put_setting(2, 0, 2)
        assert [kind for kind, _ in box.heard] == [messages.HELLO.kind]

    run(go())


def test_silence_at_open_is_told_by_what_the_port_sends():
    async def go(chatter, words):
        box = FakeBox()
        box.mute = True
        client = Client(MemoryLink(box), **FAST)
        chatter(box)
        with pytest.raises(BoxError, match=words):
            await client.open()
        assert not client.link.is_open  # type: ignore[attr-defined]

    run(go(lambda box: None, "nothing answers"))
    run(go(lambda box: box.send(b"$GPGGA,no box,*00\r\n" * 9), "something else"))
    run(go(lambda box: box.send(frames.encode(messages.HELLO.pack(1, 1, 0))), "something else"))  # an echo
    run(go(lambda box: box.status(), "sends but does not answer"))


def test_stream_in_order_with_both_kinds():
    async def go():
        box, client = joined()
        async with client:
            stream = client.subscribe()
            box.status(time_ms=100, pulse_us=(1000, 1001, 0, 0))
            box.event(time_ms=150, event=states.EVENT_STATE, a=states.READY)
            box.status(time_ms=200)
            records = [await stream.next() for _ in range(3)]
            assert [type(r) for r in records] == [Status, Event, Status]
            assert [r.time_ms for r in records if r] == [100, 150, 200]
            assert isinstance(records[0], Status) and records[0].pulse_us == (1000, 1001, 0, 0)
            assert (client.missed, stream.dropped) == (0, 0)

    run(go())


def test_gaps_are_counted_across_the_wrap_and_a_restart_is_no_gap():
    async def go():
        box, client = joined()
        async with client:
            for number in (65533, 65535, 2):  # 65534, then 0 and 1, are missing
                box.count = number
                box.status()
            await settle()
            assert (client.missed, client.restarts) == (3, 0)
            box.count = 0
            box.event()
            await settle()
            assert (client.missed, client.restarts) == (3, 1)

    run(go())


def test_a_slow_reader_loses_the_oldest_and_is_told():
    async def go():
        box, client = joined()
        async with client:
            stream = client.subscribe(room=3)
            for t in range(5):
                box.status(time_ms=t)
            await settle()
            assert [r.time_ms for r in stream.take()] == [2, 3, 4]
            assert (stream.dropped, client.missed) == (2, 0)

    run(go())


def test_bad_unknown_short_and_longer_messages():
    async def go():
        box, client = joined()
        async with client:
            stream = client.subscribe()
            good = frames.encode(body_of(messages.STATUS, 7, time_ms=5))
            box.send(b"\xc0\xdb\x00garbage\xc0")
            box.send(good[: len(good) // 2])
            box.send(good)
            box.send(frames.encode(b"\xc8\x00\x00future"))
            box.send(frames.encode(body_of(messages.STATUS, 8)[:20]))
            box.send(frames.encode(body_of(messages.STATUS, 9, time_ms=6) + b"field of a newer version"))
            await settle()
            assert [r.time_ms for r in stream.take()] == [5, 6]
            assert (client.bad_frames, client.unknown, client.malformed) == (2, 1, 1)

    run(go())


def test_silence_ends_a_stream_after_what_had_arrived():
    async def go():
        box, client = joined()
        async with client:
            stream = client.subscribe()
            box.status(time_ms=1)
            seen = []
            with pytest.raises(BoxError, match="the box stopped answering"):
                async for record in stream:
                    seen.append(record.time_ms)
            assert seen == [1]

    run(go())


def test_a_stream_can_wait_for_a_limited_time_and_be_closed():
    async def go():
        box, client = joined(silence_s=None)
        async with client:
            stream = client.subscribe()
            assert await stream.next(0.001) is None
            asyncio.get_running_loop().call_soon(stream.close)
            assert [r async for r in stream] == []

    run(go())


def test_a_lost_link_ends_requests_and_streams_at_once():
    async def go():
        box, client = joined(timeout_s=60, silence_s=None)
        async with client:
            stream = client.subscribe()
            box.mute = True
            waits = [asyncio.ensure_future(client.commit()), asyncio.ensure_future(stream.next())]
            await settle()
            client.link.lose()  # type: ignore[attr-defined]
            for error in await asyncio.gather(*waits, return_exceptions=True):
                assert isinstance(error, BoxError) and "lost" in str(error)
            with pytest.raises(BoxError, match="lost"):
                await client.commit()

    run(go())


def test_identity_is_not_known_before_open():
    with pytest.raises(BoxError, match="not been opened"):
        _ = joined()[1].identity
