"""Axes, tube sides, instrument constants, the plate on its bolts: directions and mount readings."""
