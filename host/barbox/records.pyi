# Printed from the message table by `python -m barbox.proto`; a test compares the two.
from typing import Any, NamedTuple

from shared_proto.messages import Message

RECORDS: dict[int, Any]

def class_name(message: Message) -> str: ...

class Hello(NamedTuple):
    kind: int
    number: int
    major: int
    minor: int

class Identity(NamedTuple):
    kind: int
    number: int
    major: int
    minor: int
    firmware: str
    board: str
    serial: str
    rig: str
    reset: int
    settings_crc: int
    settings_seq: int
    heap_free_bytes: int
    uncertainty_mv: int
    side_uncertainty_mv: tuple[int, int, int, int]
    side_growth_mv: tuple[int, int, int, int]
    side_drift_mv: tuple[int, int, int, int]
    section_uncertainty_mv: tuple[int, int, int, int, int, int, int, int]
    boots: int

class Status(NamedTuple):
    kind: int
    number: int
    time_ms: int
    unix_s: int
    state: int
    cause: int
    waits: int
    limit: int
    limit_pm: int
    warnings: int
    lever_pm: int
    demand_pm: int
    lever_a_mv: int
    lever_b_mv: int
    inputs: int
    weakest: int
    weakest_cell_mv: int
    pulse_us: tuple[int, int, int, int]
    sense_mv: tuple[int, int, int, int, int, int, int, int]
    section_mv: tuple[int, int, int, int, int, int, int, int]
    sense_fault: tuple[int, int, int, int, int, int, int, int]
    overruns: int
    late_us: int
    step_us: int
    events_lost: int
    supply_mv: int
    speed_dmh: int
    current_da: tuple[int, int, int, int]
    rest_cell_mv: int
    charge_pm: tuple[int, int, int, int]
    minutes_left: int
    bench_phase: int
    bench_side: int
    bench_steps: int
    bench_end: int
    bench_left_ms: int

class Event(NamedTuple):
    kind: int
    number: int
    time_ms: int
    event: int
    a: int
    b: int

class SettingGet(NamedTuple):
    kind: int
    number: int
    row: int
    index: int  # pyright: ignore[reportIncompatibleMethodOverride]

class Setting(NamedTuple):
    kind: int
    number: int
    row: int
    index: int  # pyright: ignore[reportIncompatibleMethodOverride]
    value: bytes

class SettingPut(NamedTuple):
    kind: int
    number: int
    row: int
    index: int  # pyright: ignore[reportIncompatibleMethodOverride]
    value: bytes

class SettingCommit(NamedTuple):
    kind: int
    number: int

class SettingDrop(NamedTuple):
    kind: int
    number: int

class TimeSet(NamedTuple):
    kind: int
    number: int
    unix_s: int

class Done(NamedTuple):
    kind: int
    number: int

class Refused(NamedTuple):
    kind: int
    number: int
    reason: int

class SenseGet(NamedTuple):
    kind: int
    number: int

class SenseCodes(NamedTuple):
    kind: int
    number: int
    time_ms: int
    state: int
    code: tuple[int, int, int, int, int, int, int, int]
    reading: tuple[int, int, int, int, int, int, int, int]

class BenchAsk(NamedTuple):
    kind: int
    number: int

class BenchOffer(NamedTuple):
    kind: int
    number: int
    token: int
    cap_pm: tuple[int, int, int, int]
    low_pm: int
    step_ms: int
    run_s: int
    rest_ms: int
    silent_ms: int

class BenchBeat(NamedTuple):
    kind: int
    number: int
    token: int
    count: int  # pyright: ignore[reportIncompatibleMethodOverride]

class BenchStep(NamedTuple):
    kind: int
    number: int
    token: int
    count: int  # pyright: ignore[reportIncompatibleMethodOverride]
    what: int
    side: int
    pulse_pm: int
    time_ms: int

class BenchDrop(NamedTuple):
    kind: int
    number: int
    token: int
    count: int  # pyright: ignore[reportIncompatibleMethodOverride]

class BenchEnd(NamedTuple):
    kind: int
    number: int
    token: int
    count: int  # pyright: ignore[reportIncompatibleMethodOverride]

class BenchProve(NamedTuple):
    kind: int
    number: int
    token: int
    side: int

class BenchProof(NamedTuple):
    kind: int
    number: int
    mark: int

class LogGet(NamedTuple):
    kind: int
    number: int
    first: int

class Log(NamedTuple):
    kind: int
    number: int
    first: int
    end: int
    count: int  # pyright: ignore[reportIncompatibleMethodOverride]
    boot: tuple[int, int, int, int, int, int, int, int, int, int]
    time_ms: tuple[int, int, int, int, int, int, int, int, int, int]
    unix_s: tuple[int, int, int, int, int, int, int, int, int, int]
    event: tuple[int, int, int, int, int, int, int, int, int, int]
    times: tuple[int, int, int, int, int, int, int, int, int, int]
    a: tuple[int, int, int, int, int, int, int, int, int, int]
    b: tuple[int, int, int, int, int, int, int, int, int, int]

class FaultsGet(NamedTuple):
    kind: int
    number: int
    clear: int

class Faults(NamedTuple):
    kind: int
    number: int
    boots: int
    since_boot: int
    held: tuple[int, int, int, int, int, int, int, int, int, int, int, int, int, int, int, int]
    sense: tuple[int, int, int, int, int, int, int, int]
    resets: tuple[int, int, int, int, int, int, int, int]
    errors: tuple[int, int, int, int, int, int, int, int, int, int, int, int, int, int, int, int]
    overruns: int
    unlogged: int
    last_cause: int
    last_boot: int
    last_time_ms: int
    last_unix_s: int
    unseen: int
    unsaved: int
    writes: int
    write_errors: int
    bad_frames: int
    oversized_frames: int
