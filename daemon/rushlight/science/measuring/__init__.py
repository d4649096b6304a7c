"""Instruments: units, electrodes and the quality of readings."""
