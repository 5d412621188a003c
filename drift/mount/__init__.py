"""The mount as geometry: where its axis points, and how that shows in what it reads.

- `axis_error.py`: what a tilt and the mount's place add up to as an axis error, and back.
- `instrument.py`: tube sides, cone error, droop: from what the mount reads to where the tube points.
- `plate.py`: the plate on its bolts: which way it tips when bolts are raised, and back.
"""
