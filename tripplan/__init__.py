"""Forecast flat packs, plan the fewest service trips, hand over a field kit that needs no signal."""

__version__ = "0.1.0"
