"""Sizes of what moves, as drawn for the worlds, each with where it comes from.

All are half-open ranges for a uniform draw unless a comment says otherwise; [arcsec] and [deg C] throughout.
"""

#: A kept hour-angle zero creeps: belts stretch, a home switch wears, an encoder ring shifts on its shaft.
#: 45 a year typical where it creeps at all (a practice case of that size; the spread from memory).
ZERO_CREEP_A_YEAR = (25.0, 70.0)
#: A home switch of 0.3 mm hysteresis on a 150 mm worm wheel moves some micrometres a degree: 1 um is
#: 2.75 arcsec at 75 mm; optical and Hall switches drift 1 to 2 arcsec a degree there (from memory).
ZERO_WARMTH = (1.0, 2.0)
#: Electrolytic and MEMS levels state 0.5 to 2 arcsec a degree after compensation, bare MEMS 0.002 degrees
#: a degree, 7 arcsec (data sheets, from memory); vials of 0.02 mm a metre, less.
LEVEL_WARMTH = (0.5, 1.5)
#: A level left on the pier or put back on the same feet creeps some arcsec a year (from memory).
LEVEL_RATE_A_YEAR = (6.0, 25.0)
#: A level vial of 4 arcsec a division read in the dark, set down anew (common practice).
LEVEL_SD = 12.0
#: Tilt by frost: 0.05 to 0.1 mm of differential heave across 250 mm (common practice: 40 to 80 arcsec).
FROST = (40.0, 90.0)
#: Share of each winter's tilt that stays (from memory).
RATCHET = (0.0, 0.15)
#: How far the ground strays from its driver, and for how long (from memory).
FROST_STRAYS, STRAYS_DAYS = 0.10, 25.0
#: Degree-days of frost that one degree-day of thaw takes: slow ground, and a wet pier that lets go in days.
MELT_SLOW, MELT_FAST = (0.8, 1.6), (5.0, 9.0)
#: Settlement: tilt a tenfold of time.  Secondary compression goes with the logarithm of time (Mesri and
#: Godlewski 1977, from memory); its rate is a few per cent of the settlement per log cycle.
SETTLE_A_DECADE = (30.0, 70.0)
#: Days after which the logarithm begins (from memory).
SETTLE_FROM_DAYS = (4.0, 30.0)
#: A pier that goes on tilting, by a leaking gutter or a root (from memory).
STEADY_TILT_A_YEAR = (12.0, 45.0)
#: Azimuth bolts that creep on a loaded plate (from memory).
AZ_CREEP_A_YEAR = (12.0, 40.0)
#: The tilt that an azimuth creep and a zero creep together imitate.
IMITATED_A_YEAR = (12.0, 35.0)
#: A knock by a person or a mower, and a slipped knob (common practice).
BUMP, SLIP = (40.0, 120.0), (60.0, 200.0)
BUMP_TOLD = 60.0
#: Share of a shock that comes back, and in how many days (from memory: pore water, an anchor that beds in).
BACK, BACK_DAYS = (0.4, 0.6), (10.0, 45.0)
#: Warmth of a mount's altitude and azimuth: aluminium against steel over a long adjuster (from memory).
MOUNT_WARMTH_SD = 0.4
#: A pier, a mount and a reference that stand still yet wander [arcsec a root year] (from memory).
QUIET_WANDER, MOUNT_WANDER, REFERENCE_WANDER = 0.7, 0.7, 0.4
#: How well a home switch or an absolute encoder repeats (data sheets, from memory).
ZERO_REPEATS = (3.0, 7.0)
#: Places that mounts report against where they truly stand: periodic error left over, encoder steps
#: (from memory), and plate solves (common practice: a tenth to a half of a 2 arcsec pixel).
MOUNT_NOISE, SOLVE_NOISE = (4.0, 6.5), (0.8, 1.8)
#: Share of solves that are plainly wrong, and how far off (a practice case).
WILD_SHARE, WILD_DEG = 0.01, 0.5
#: Instrument constants, sds (from memory: amateur equatorial mounts).
CONE_SD, NONPERPENDICULAR_SD, SIDE_OFFSET_SD, DROOP_SD = 120.0, 30.0, 15.0, 10.0
#: A main mirror that shifts when the tube goes over the pier (from memory: moving-mirror telescopes).
MIRROR = 30.0
#: Hour angle at which a loose mirror falls over, sd about the meridian [deg] (from memory).
MIRROR_FALLS_DEG = 15.0
#: An all-day tilt sensor: noise of a 10 minute mean, swing with the Sun peak to trough, warmth, wander.
#: (MEMS data sheets from memory; the swing is the issue's.)
SENSOR_NOISE, SENSOR_SWING, SENSOR_WARMTH, SENSOR_WANDER = 1.0, 6.0, (0.2, 0.8), 3.0
#: Axis left after a first alignment, sd a coordinate (common practice).
AXIS_SD = 60.0
#: A sensor of air temperature reads off by this, sd; the barometer [hPa] (data sheets, from memory).
THERMOMETER_SD, BAROMETER_SD = 0.5, 1.0
#: Pressure of the air about its mean for the height, sd [hPa] (from memory).
PRESSURE_SD = 8.0
#: How far tube, bearings and circles move the picture with the hour angle, each harmonic [arcsec] (from
#: memory: what pointing analyses of amateur mounts leave over when cone, axes and droop are out).
BENDS = (5.0, 20.0)
#: How exactly a sync sets the mount to the solve, sd of a coordinate [arcsec] (encoder steps, from memory).
SYNC_SD = 1.5
