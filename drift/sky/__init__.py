"""A place on the sky becomes a direction over this site; nothing of mounts.

- Precession, nutation and the Earth's place are taken at the nodes of a fixed 2-day grid and interpolated by
  8-point Lagrange (0.6 mas in the pole at worst); then `apco`, `atciqz` and `atioq` for each solve.  A row's
  direction does not depend on which other rows are given.
- 27 to 44 times faster than one vectorised `SkyCoord.transform_to(AltAz)` on 100,000 solves over 2,000
  nights; 0.0065" apart at most, 0.0006" on the same Earth-rotation table.
- Past the table's end UT1 goes on at the last year's mean rate, and the loss is said: in a trial on
  1974-2025 the worst error was 0.27 s after one year.

Rejected: astropy's own interpolator (linear, 32 times slower here, global state); astropy's table reader
(0.4 s against 0.03 s, equal bit for bit); holding UT1-UTC (1.2 s after one year).
"""
