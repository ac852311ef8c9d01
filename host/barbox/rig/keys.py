"""Keys of a rig sheet that are a setting of the box in another unit: their limits, defaults and help are its own."""

from __future__ import annotations

from dataclasses import dataclass

from shared_proto.settings import ROWS, SETTINGS, Setting

FULL_CELL_V = 4.20
"""A lithium-polymer cell at the end of charge (cell specification sheets; common practice)."""


@dataclass(frozen=True)
class Key:
    """`table.key` of the sheet is the setting `row`; the setting's number is `scale` times the sheet's.

    With `choices` the sheet says one of these and the setting's number is its place among them.
    """

    table: str
    key: str
    row: str
    scale: int = 1
    choices: tuple[str | bool, ...] = ()

    @property
    def setting(self) -> Setting:
        """Its row of the settings table."""
        return SETTINGS[ROWS[self.row]]

    @property
    def unit(self) -> str:
        """Unit of the sheet's number: the end of its name, or the setting's own."""
        if self.key.endswith("_km_h"):
            return "km/h"
        return self.key.rpartition("_")[2] if self.scale > 1 else self.setting.unit

    @property
    def low(self) -> float:
        """Lowest value in the sheet's unit."""
        return self.setting.low / self.scale

    @property
    def high(self) -> float:
        """Highest value in the sheet's unit."""
        return self.setting.high / self.scale

    @property
    def default(self) -> float:
        """Value of the sheet that leaves it out."""
        return self.setting.default / self.scale


_YES_NO = (False, True)

KEYS = (
    Key("lever", "tracks", "lever_tracks"),
    Key("lever", "a_rest_mv", "lever_a_rest_mv"),
    Key("lever", "a_full_mv", "lever_a_full_mv"),
    Key("lever", "b_rest_mv", "lever_b_rest_mv"),
    Key("lever", "b_full_mv", "lever_b_full_mv"),
    Key("lever", "dead_band_percent", "lever_dead_pm", 10),
    Key("lever", "agree_percent", "lever_agree_pm", 10),
    Key("lever", "margin_percent", "lever_margin_pm", 10),
    Key("cells", "over_v", "cell_over_mv", 1000),
    Key("cells", "warn_v", "cell_warn_mv", 1000),
    Key("cells", "low_v", "cell_low_mv", 1000),
    Key("cells", "floor_v", "cell_floor_mv", 1000),
    Key("cells", "cutback_band_v", "cutback_band_mv", 1000),
    Key("cells", "spread_mv", "spread_mv"),
    Key("limits", "ramp_up_s", "ramp_up_ms", 1000),
    Key("limits", "ramp_down_s", "ramp_down_ms", 1000),
    Key("limits", "arm_hold_s", "arm_hold_ms", 1000),
    Key("limits", "esc_idle_s", "esc_idle_ms", 1000),
    Key("limits", "watchdog_s", "watchdog_ms", 1000),
    Key("limits", "unproven_cap_percent", "unproven_cap_pm", 10),
    Key("limits", "single_track_cap_percent", "single_track_cap_pm", 10),
    Key("limits", "sense_cap_percent", "sense_cap_pm", 10),
    Key("stream", "hz", "stream_hz"),
    Key("limits", "together", "together", choices=_YES_NO),
    Key("limits", "sense_policy", "sense_policy", choices=("cap", "ease")),
    Key("lever", "rest_switch", "lever_switch", choices=_YES_NO),
    Key("limits", "brake", "brake", choices=_YES_NO),
    Key("limits", "supply_min_v", "supply_min_mv", 1000),
    Key("limits", "wheel_mm", "wheel_mm"),
    Key("limits", "fade_from_km_h", "fade_from_dmh", 10),
    Key("limits", "fade_to_km_h", "fade_to_dmh", 10),
    Key("limits", "bench_cap_percent", "bench_cap_pm", 10),
    Key("limits", "bench_low_percent", "bench_low_pm", 10),
    Key("limits", "bench_step_s", "bench_step_ms", 1000),
    Key("limits", "bench_run_s", "bench_run_s"),
    Key("limits", "bench_rest_s", "bench_rest_ms", 1000),
)

# What a box learns and a sheet need not state.
LEARNED_LEVER = ("lever_a_rest_mv", "lever_a_full_mv", "lever_b_rest_mv", "lever_b_full_mv")
LEARNED_SENSE = ("sense.nv_per_count", "sense.offset_mv", "sense.calibrated", "sense.uncertainty_mv")


def keys_of(table: str) -> list[Key]:
    """The keys of one table of the sheet."""
    return [k for k in KEYS if k.table == table]
