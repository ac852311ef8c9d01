"""Demand to pulse width, by the side's own table of eleven points, straight between them."""

from array import array

import micropython


class Curve:
    def __init__(self):
        self._us = array("i", [1000] * 12)

    def configure(self, idle_us, full_us, curve_pm):
        """`curve_pm`: share of the pulse span at each tenth of demand, 0..1000, rising from 0."""
        for i in range(11):
            self._us[i] = idle_us + (full_us - idle_us) * curve_pm[i] // 1000
        self._us[11] = self._us[10]

    @micropython.native
    def pulse_us(self, demand_pm):
        """Pulse width in microseconds for a demand of 0..1000 per mille."""
        i = demand_pm // 100
        low = self._us[i]
        return low + (self._us[i + 1] - low) * (demand_pm - 100 * i) // 100
