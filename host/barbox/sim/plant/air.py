"""Air density with altitude."""

SEA_LEVEL_DENSITY_KG_M3 = 1.225

_T0_K, _P0_PA, _LAPSE_K_M = 288.15, 101325.0, 0.0065
_G_M_S2, _R_J_KG_K = 9.80665, 287.05287
_TROPOPAUSE_M = 11000.0


def air_density_kg_m3(altitude_m: float, temperature_offset_k: float = 0.0) -> float:
    """Density of the standard atmosphere at a geopotential altitude (ISO 2533).

    `temperature_offset_k` is a warmer (+) or colder (-) day at the same pressure. Raises ValueError
    outside -1,000..11,000 m, where the one-layer formula ends, or for an offset beyond +-100 K.
    """
    if not -1000.0 <= altitude_m <= _TROPOPAUSE_M:
        raise ValueError(f"altitude {altitude_m:g} m is outside -1000..{_TROPOPAUSE_M:g} m")
    if not -100.0 <= temperature_offset_k <= 100.0:
        raise ValueError(f"temperature offset {temperature_offset_k:g} K is outside -100..100 K")
    standard_k = _T0_K - _LAPSE_K_M * altitude_m
    pressure_pa = _P0_PA * (standard_k / _T0_K) ** (_G_M_S2 / (_R_J_KG_K * _LAPSE_K_M))
    return pressure_pa / (_R_J_KG_K * (standard_k + temperature_offset_k))
