"""What a logger's columns mean in degrees C, whatever their units; what it shows for a broken sensor is no temperature."""

from collections.abc import Callable

import numpy as np

from app.ovens.logger_numbers import Said, States
from app.ovens.logger_table import Stated, Table
from app.ovens.logger_units import Unit
from app.ovens.thermocouple import hot_junction_c
from app.ovens.trace import Floats

# Our choice: no cure oven is colder or hotter, so what lies outside is what a logger shows for a broken sensor (full scale).
LEAST_C, GREATEST_C = -60.0, 500.0
FULL_SCALE = (327.67, -327.68)  # in any unit: the ends of 16 bits in hundredths, which lie inside in degrees F
_COLD_C = (0.0, 100.0)  # of a cold junction


def temperatures(table: Table, stated: Stated, values: Floats, states: States) -> tuple[Floats, States]:
    """Of the sensors, a row for each of `values` (sensors, then the cold junction if the table has one), with what each field said.

    NaN where there is no temperature.
    """
    count = len(table.sensors)
    for value in (*FULL_SCALE, *stated.broken_values):
        states[np.isclose(values, value, rtol=0, atol=1e-9)] = Said.BROKEN
    cold: Floats = np.full(len(values), stated.cold_junction_c if stated.cold_junction_c is not None else np.nan)
    if table.cold_junction:
        cold = _TO_C[table.cold_junction.unit](values[:, count], cold)
        states[(states[:, count] != Said.NUMBER) | ~((cold >= _COLD_C[0]) & (cold <= _COLD_C[1])), count] = Said.MISSING
    temps = np.full((len(values), count), np.nan)
    for n, sensor in enumerate(table.sensors):
        read = states[:, n] == Said.NUMBER
        if table.cold_junction and sensor.unit == "mV type K":
            states[read & (states[:, count] != Said.NUMBER), n] = Said.MISSING
            read = states[:, n] == Said.NUMBER
        temps[read, n] = _TO_C[sensor.unit](values[read, n], cold[read])
        full = np.isclose(temps[:, n], FULL_SCALE[0], rtol=0, atol=0.006)  # turned into degrees F by the logger, and rounded
        broken = read & (full | ~((temps[:, n] >= LEAST_C) & (temps[:, n] <= GREATEST_C)))
        temps[broken, n], states[broken, n] = np.nan, Said.BROKEN
    temps[states[:, :count] != Said.NUMBER] = np.nan
    return temps, states[:, :count]


def _celsius(values: Floats, _cold: Floats) -> Floats:
    return values


def _fahrenheit(values: Floats, _cold: Floats) -> Floats:
    return (values - 32) * 5 / 9


_TO_C: dict[Unit, Callable[[Floats, Floats], Floats]] = {"C": _celsius, "F": _fahrenheit, "mV type K": hot_junction_c}
