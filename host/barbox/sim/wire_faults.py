"""What can go wrong with the wires of a simulated board: sense wires, lever, switches, supply, grounds."""

from __future__ import annotations

from collections.abc import Callable

from barbox.errors import BoxError
from barbox.sim.wiring import SUPPLY_V, SenseWire, Wiring

_TRACKS = {"a": (0,), "b": (1,), "ab": (0, 1)}


class WireFaults:
    """Part of `SimBoard`. Tracks of the lever are "a", "b" or, where said, "ab" for both."""

    wiring: Wiring

    def after(self, seconds: float, action: Callable[[], object]) -> None:
        """Do `action()` at that moment from now."""
        raise NotImplementedError

    # -- sense wires -----------------------------------------------------------------------------------------

    def sense_wire(self, number: int) -> SenseWire:
        """The wire of sense input `number`, from 1. Raises BoxError for one that is not wired."""
        wire = self.wiring.wires[number - 1]
        if wire is None:
            raise BoxError(f"sense input {number} is not wired")
        return wire

    def cut_sense_wire(self, number: int) -> None:
        """Blow the fuse, or break the wire, of sense input `number`: its pin goes to ground."""
        self.sense_wire(number).cut = True

    def mend_sense_wire(self, number: int) -> None:
        """Undo `cut_sense_wire` and `short_sense_wires`."""
        wire = self.sense_wire(number)
        wire.cut = False
        wire.shorted_to = None

    def short_sense_wires(self, number: int, to: int) -> None:
        """Let the wire of input `number` touch that of input `to`, whose voltage it then shows."""
        self.sense_wire(number).shorted_to = to - 1

    def swap_sense_wires(self, number: int, other: int) -> None:
        """Exchange the far ends of two wires; each keeps its divider. A second call undoes it."""
        a, b = self.sense_wire(number), self.sense_wire(other)
        a.side, b.side = b.side, a.side
        a.section, b.section = b.section, a.section
        a.kind, b.kind = b.kind, a.kind

    def wrong_divider(self, number: int, factor: float) -> None:
        """A divider that takes `factor` times as many volts to one as it should: the box reads too little."""
        self.sense_wire(number).ratio *= factor

    def loosen_sense_wire(
        self, number: int, *, every_s: float = 0.5, open_s: float = 0.05, for_s: float = 10.0
    ) -> None:
        """From now on the wire opens for `open_s` every `every_s`, for `for_s` in all; whole afterwards."""
        wire = self.sense_wire(number)

        def cut() -> None:
            wire.cut = True

        def mend() -> None:
            wire.cut = False

        self._flutter(cut, mend, every_s, open_s, for_s)

    def shake_sense_wire(self, number: int, volts: float) -> None:
        """Vibration: noise of this standard deviation on what the wire carries, anew at each look; 0 ends it."""
        self.sense_wire(number).shake_v = volts

    def freeze_sense_input(self, number: int) -> None:
        """From now on the ADC gives the code of this moment for the input, without noise."""
        wire = self.sense_wire(number)
        wire.frozen_uv = wire.pin_uv

    def without_noise(self) -> None:
        """Converters that give the same code for the same voltage, each time."""
        self.wiring.without_noise()

    def thaw_sense_input(self, number: int) -> None:
        """Undo `freeze_sense_input`."""
        self.sense_wire(number).frozen_uv = None

    def _flutter(
        self, cut: Callable[[], None], mend: Callable[[], None], every_s: float, open_s: float, for_s: float
    ) -> None:
        if not 0 < open_s < every_s:
            raise BoxError(f"a wire that opens every {every_s:g} s cannot stay open for {open_s:g} s")
        for n in range(int(for_s / every_s)):
            self.after(n * every_s, cut)
            self.after(n * every_s + open_s, mend)

    # -- lever -----------------------------------------------------------------------------------------------

    def cut_lever_wire(self, track: str = "a") -> None:
        """Break the signal wire of a track: its pin is pulled to ground."""
        self._lever_fault(track, 0.0)

    def short_lever_wire(self, track: str = "a", to_mv: float = 3300.0) -> None:
        """Short a track to a rail, or to `to_mv` at the pin."""
        self._lever_fault(track, to_mv)

    def loosen_lever_wire(
        self, track: str = "a", *, every_s: float = 0.5, open_s: float = 0.02, for_s: float = 10.0
    ) -> None:
        """From now on the signal wire opens for `open_s` every `every_s`, for `for_s` in all; whole afterwards."""
        self._flutter(
            lambda: self._lever_fault(track, 0.0), lambda: self._lever_fault(track, None), every_s, open_s, for_s
        )

    def _lever_fault(self, track: str, mv: float | None) -> None:
        lever = self.wiring.lever
        for n in _TRACKS[track]:
            if n:
                lever.b_fault_mv = mv
            else:
                lever.a_fault_mv = mv

    def join_lever_tracks(self) -> None:
        """The signal wires of both tracks touch: both show the mean of the two."""
        self.wiring.lever.joined = True

    def cut_lever_ground(self, track: str = "ab") -> None:
        """Open the ground of a track's hall, or the common one: it reads its supply, beyond full."""
        for n in _TRACKS[track]:
            self.wiring.lever.ground_open[n] = True

    def switch_off_lever_supply(self) -> None:
        """The lever alone loses its supply: its halls give nothing. The supply that is sensed stays."""
        self.wiring.lever.supply_off = True

    def shake_lever(self, mv: float) -> None:
        """Vibration: noise of this standard deviation at each of its pins, anew at each look; 0 ends it."""
        self.wiring.lever.shake_mv = mv

    def drift_lever(self, track: str = "a", mv_per_s: float = 5.0) -> None:
        """From now on a track drifts, as with a magnet that comes loose or warms."""
        lever = self.wiring.lever
        lever.drift_from_us = self.wiring.now_us
        for n in _TRACKS[track]:
            lever.drift_mv_per_s[n] = mv_per_s

    def stick_lever(self) -> None:
        """The lever does not come back from where it is, whoever moves it, though it still goes further."""
        self.wiring.lever.held_pm = self.wiring.lever.position_pm

    def free_lever(self) -> None:
        """Undo `stick_lever`; it stays where it is until it is moved."""
        self.wiring.lever.held_pm = None

    def stick_rest_switch(self, closed: bool) -> None:
        """The rest switch stays closed, or open as with a broken wire."""
        self.wiring.lever.switch_stuck = closed

    def mend_lever(self) -> None:
        """All of the lever's wires, its supply, its switch and its magnets as they should be."""
        self.wiring.lever.mend()

    # -- stop loop -----------------------------------------------------------------------------------------------

    def short_stop_loop(self) -> None:
        """The wires of the loop touch: it reads closed whatever the rider does with it."""
        self.wiring.stop_shorted = True

    def mend_stop_loop(self) -> None:
        self.wiring.stop_shorted = False

    # -- ESC signals ---------------------------------------------------------------------------------------

    def cut_signal_wire(self, side: int) -> None:
        """Break the signal wire to the ESC of a side: the box makes its pulses, the ESC gets none."""
        self.wiring.signal_cut.add(side)

    def mend_signal_wire(self, side: int) -> None:
        self.wiring.signal_cut.discard(side)

    # -- supply, ground, wheel ---------------------------------------------------------------------------------

    def set_supply_v(self, volts: float = SUPPLY_V) -> None:
        """Supply of the lever and of what carries the ESC signals; the chip itself keeps its 3.3 V.

        The halls follow it, and below 2 V no pulse reaches an ESC.
        """
        self.wiring.supply_v = volts

    def open_box_ground(self) -> None:
        """The box's ground floats 0.2 to 2 V above that of the packs, anew at each look: all sense inputs and
        the lever read so much too little. A simple model of what is unpredictable."""
        self.wiring.ground_open = True

    def close_box_ground(self) -> None:
        self.wiring.ground_open = False

    def cut_wheel_wire(self) -> None:
        """No more pulses from the wheel sensor."""
        self.wiring.wheel_cut = True

    def mend_wheel_wire(self) -> None:
        self.wiring.wheel_cut = False
