"""Axes, tube sides, instrument constants: directions and mount readings."""
