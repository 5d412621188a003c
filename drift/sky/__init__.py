"""From a place among the stars to a direction over this site; it knows nothing of mounts.

How it works, by file
---------------------
- `place.py`: ICRS place and time to the observed direction East, North, Up, and the sidereal time.
- `air.py`: temperature and pressure of each reading, refraction, and its error where they were not
  measured.
- `time_scales.py`: UTC to atomic time; UT1 and polar motion from the installed table.
- `of_date.py`: places of date, as mounts and other programs give them, to ICRS and back.

Precession, nutation and the Earth's place are evaluated at the nodes of a fixed 2-day grid and
interpolated by 8-point Lagrange (0.6 mas in the pole at worst); `apco`, `atciqz` and `atioq` follow for
each solve.  So a row's direction does not depend on which other rows there are.  That is 27 to 44 times
faster than one vectorised `SkyCoord.transform_to(AltAz)` on 100,000 solves over 2,000 nights; the two
differ by 0.0065" at most, and by 0.0006" with the same Earth-rotation table.

Past the table's end UT1 goes on at the last year's mean rate, and a notice says what accuracy is lost:
in a trial on 1974-2025 the worst error after one year was 0.27 s.

Rejected
--------
- astropy's own interpolator: linear, 32 times slower here, and global state;
- astropy's table reader: 0.4 s against 0.03 s, equal bit for bit;
- holding UT1-UTC past the table's end: 1.2 s of error after one year.
"""
