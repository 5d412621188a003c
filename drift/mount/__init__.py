"""The mount as geometry: where its axis points, and how that shows in what it reads.

- `axis_error.py`: what a tilt and the mount's place add up to as an axis error, and back.
- `instrument.py`: tube sides, cone error, droop: from what the mount reads to where the tube points.
- `plate.py`: the plate on its bolts: which way it tips when bolts are raised, and back.

Constants of the instrument, mechanical minus true, H the hour angle and D the declination: cone error
cos(D) dH = c side; non-perpendicularity of the axes cos(D) dH = n side sin(D); declination offset between
sides dD = e side; droop g sin(zenith distance), downward.

At latitude -45, 60" of north tilt gives alt_error +60"; 60" of east tilt gives az_error -60" and an
hour-angle zero of +42.4".
"""
