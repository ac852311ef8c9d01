"""What a board offers to a rig: sense inputs, what they take, and how far an uncalibrated reading can be off."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Board:
    """One board file, as seen from a rig sheet.

    inputs          sense inputs, numbered from 1
    taps            whether taps between packs can be sensed, or only string tops
    lever_tracks    lever tracks it can read
    supply          whether it can sense the 5 V supply of lever and ESC signals
    below_ground    whether its sense inputs read a little below ground, as a pack's negative lies under load
    step_nv         voltage at the pin for one count of the ADC
    pin_limit_v     highest voltage at the pin that is still read, with 3 % left below the 3.3 V supply
    gain_limit      largest relative error of the ADC's gain, reference included
    offset_limit_v  largest error at the pin that does not grow with the reading
    pin_ohm         input resistance, which loads the divider
    linearity_limit_v  largest error at the pin against a straight line
    wide_limit_v    the same near one of the wide codes of RP2040 erratum E11, 0 where there are none
    drift_limit     largest relative change of the ADC's reference from one day to another
    code_step       what one step of the converter itself is in the codes that the box reads
    """

    name: str
    help: str
    inputs: int
    taps: bool
    lever_tracks: int
    supply: bool
    below_ground: bool
    step_nv: float
    pin_limit_v: float
    gain_limit: float
    offset_limit_v: float
    pin_ohm: float
    linearity_limit_v: float
    wide_limit_v: float
    drift_limit: float
    code_step: int

    def linearity_v(self, code: float) -> float:
        """Limit of error at the pin against a straight line, near a code as the box tells it."""
        if self.wide_limit_v:
            # 12-bit codes 512, 1536, 2560, 3584, in 16ths.
            away_v = abs(code % 16384 - 8192) * self.step_nv / 1e9
            if away_v < self.wide_limit_v + self.linearity_limit_v:
                return self.wide_limit_v
        return self.linearity_limit_v


BOARDS = {
    b.name: b
    for b in (
        # ADS1115, TI SBAS563: 125 uV a count at 4.096 V full scale; gain 0.15 % plus 0.1 % between ranges;
        # offset 3 and non-linearity 1 count; 6 Mohm common-mode input. Inputs end at the supply, not at 4.096 V.
        # They read down to 0.3 V below ground (absolute maximum, same sheet). 40 ppm a kelvin over 25 K.
        Board("pico_w", "strings over two four-channel I2C ADCs", 8, True, 2, True, True,
              125000.0, 3.2, 0.0025, 0.0005, 6e6, 0.000125, 0.0, 0.001, 1),
        # RP2040: 16-bit codes of a 12-bit ADC referred to the 3.3 V rail; 100 kohm at least (data sheet); the
        # rail within 2 %, 1 % from day to day, 10 mV for offset and non-linearity, of which two counts of 12 bits
        # are left around a fitted line, and half of a code that is ten wide (common practice, no source).
        Board("pico", "string tops on the chip's own ADC, no taps", 2, False, 1, False, False,
              3.3e9 / 65535, 3.2, 0.02, 0.01, 1e5, 0.0016, 0.004, 0.01, 16),
    )  # fmt: skip
}
