"""The ring of events."""

from hypothesis import example, given
from hypothesis import strategies as st

from core.events import Events


@given(st.lists(st.sampled_from([None, *range(10)]), max_size=300))
@example([1] * 64 + [None, 2, 3])
@example([1, None] * 70 + [1] * 63 + [None] * 64)
def test_events_come_out_in_order_and_what_found_no_room_is_counted(does):
    """None takes one event, a number adds one; against a plain list of at most 63."""
    events = Events()
    kept: list[tuple[int, int, int, int]] = []
    lost = 0
    for time_ms, do in enumerate(does):
        if do is None:
            assert events.take() == (kept.pop(0) if kept else None)
        elif len(kept) == 63:
            events.add(time_ms, do, 1, 2)
            lost += 1
        else:
            events.add(time_ms, do, time_ms & 0xFFFF, 0xFFFF)
            kept.append((time_ms, do, time_ms & 0xFFFF, 0xFFFF))
        assert events.lost == lost
    while kept:
        assert events.take() == kept.pop(0)
    assert events.take() is None
