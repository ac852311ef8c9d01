"""Settings in two slots: what is damaged is told from what is not, and the slot in force is never written."""

import struct
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from services.store import Store
from shared_proto.settings import SETTINGS, Values


def store_in(folder: Path) -> Store:
    store = Store(f"{folder}/")
    store.load()
    return store


def values_with(ramp_up_ms: int) -> Values:
    values = Values()
    values.put("ramp_up_ms", ramp_up_ms)
    return values


def slots(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def commit(folder: Path, *ramps: int) -> Store:
    store = store_in(folder)
    for ramp in ramps:
        store.commit(values_with(ramp))
    return store


def test_a_new_box_has_the_defaults(tmp_path):
    store = store_in(tmp_path)
    assert (store.seq, store.broken) == (0, False)
    assert store.values.rows == Values().rows


def test_the_newest_commit_is_what_loads(tmp_path):
    for n, ramp in enumerate((600, 700, 800, 900), start=1):
        assert commit(tmp_path, ramp).seq == n
        again = store_in(tmp_path)
        assert (again.seq, again.values.get("ramp_up_ms"), again.broken) == (n, ramp, False)


@pytest.mark.parametrize("commits", [1, 2, 3])
@pytest.mark.parametrize("swapped", [False, True])
def test_a_commit_leaves_the_slot_in_force_alone(tmp_path, commits, swapped):
    """Also when the sequence numbers lie in the other slots than this version would have put them into."""
    commit(tmp_path, *(600 + 100 * n for n in range(commits)))
    if swapped:
        a, b, aside = tmp_path / "settings.a", tmp_path / "settings.b", tmp_path / "aside"
        if a.exists():
            a.rename(aside)
        if b.exists():
            b.rename(a)
        if aside.exists():
            aside.rename(b)
    before = slots(tmp_path)
    newest = max(before, key=lambda name: struct.unpack("<4sI", before[name][:8])[1])
    commit(tmp_path, 1900)
    assert slots(tmp_path)[newest] == before[newest]
    assert store_in(tmp_path).values.get("ramp_up_ms") == 1900


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_slot_with_any_damage_counts_for_nothing(tmp_path, data):
    for path in tmp_path.iterdir():
        path.unlink()
    commit(tmp_path, 600, 700)
    path = tmp_path / data.draw(st.sampled_from(["settings.a", "settings.b"]))
    good = path.read_bytes()
    was = struct.unpack("<4sI", good[:8])[1]
    if data.draw(st.booleans()):
        bad = good[: data.draw(st.integers(0, len(good) - 1))]
    else:
        at = data.draw(st.integers(0, len(good) - 1))
        bad = good[:at] + bytes([good[at] ^ data.draw(st.integers(1, 255))]) + good[at + 1 :]
    path.write_bytes(bad)
    store = store_in(tmp_path)
    assert store.broken
    assert (store.seq, store.values.get("ramp_up_ms")) == ((2, 700) if was == 1 else (1, 600))


@pytest.mark.parametrize(("which", "cut", "told"), [(1, False, True), (0, False, False), (1, True, False)])
def test_a_newer_slot_that_rotted_is_told_from_an_older_one_and_from_a_commit_that_was_cut(tmp_path, which, cut, told):
    commit(tmp_path, 600, 700)
    path = sorted(tmp_path.iterdir(), key=lambda p: struct.unpack("<4sI", p.read_bytes()[:8])[1])[which]
    good = path.read_bytes()
    path.write_bytes(good[:-9] if cut else good[:-9] + bytes([good[-9] ^ 1]) + good[-8:])
    store = store_in(tmp_path)
    assert (store.values.get("ramp_up_ms"), store.broken, store.doubtful) == ((600, 700)[1 - which], True, told)
    store.commit(store.values)
    assert not store.doubtful


def test_two_damaged_slots_give_the_defaults_and_say_so(tmp_path):
    commit(tmp_path, 600, 700)
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:-1])
    store = store_in(tmp_path)
    assert (store.seq, store.broken) == (0, True)
    assert store.values.rows == Values().rows


def slot(blob: bytes, seq: int = 1) -> bytes:
    """A slot by the layout: magic, sequence number, length, values, CRC-32/ISO-HDLC over all of it.

    The CRC is computed bit by bit here, from its catalogue entry (reveng catalogue, CRC-32/ISO-HDLC).
    """
    data = b"BXS1" + struct.pack("<IH", seq, len(blob)) + blob
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return data + struct.pack("<I", crc ^ 0xFFFFFFFF)


def test_settings_of_an_older_version_keep_what_they_have(tmp_path):
    older = values_with(777).to_blob()[: sum(struct.calcsize("<" + s.code) * s.count for s in SETTINGS[:20])]
    (tmp_path / "settings.b").write_bytes(slot(older))
    store = store_in(tmp_path)
    assert (store.seq, store.values.get("ramp_up_ms"), store.broken) == (1, 777, False)
    assert store.values.rows[20:] == Values().rows[20:]


def test_settings_of_a_newer_version_are_not_guessed_at(tmp_path):
    (tmp_path / "settings.b").write_bytes(slot(values_with(777).to_blob() + b"\x01\x02"))
    store = store_in(tmp_path)
    assert (store.seq, store.broken) == (0, True)
    assert store.values.rows == Values().rows


def test_a_value_outside_its_limits_spoils_its_slot(tmp_path):
    values = values_with(777)
    good = values.to_blob()
    at = good.index(struct.pack("<H", 777))
    (tmp_path / "settings.b").write_bytes(slot(good[:at] + struct.pack("<H", 65535) + good[at + 2 :]))
    store = store_in(tmp_path)
    assert store.broken and store.values.rows == Values().rows


def test_a_flash_that_cannot_be_written_changes_nothing(tmp_path):
    store = commit(tmp_path, 600)
    before = slots(tmp_path)
    store._slots.paths = [str(tmp_path / "none" / "x"), str(tmp_path / "none" / "y")]
    with pytest.raises(OSError):
        store.commit(values_with(700))
    assert (store.seq, store.values.get("ramp_up_ms")) == (1, 600)
    assert slots(tmp_path) == before
