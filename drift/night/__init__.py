"""From one night's readings to where the polar axis pointed, with its covariance.

What it is for
--------------
Every kind of log of the sky - pointing solves, sweeps, unguided runs, typed axis errors - becomes an estimate
of the axis for each night, with all that the nights of one instrument share.

How it works, step by step
--------------------------
1. `sets.py` finds sweeps and unguided runs among solves without mount coordinates; `prepared.py` joins
   them and the turned pairs of level readings, and says which readings make a night.
2. `directions.py` works out where every row was seen from the site (`drift.sky`), with each night's
   air.
3. `observations.py` turns each kind of log into *sightings* (`sightings.py`): an observed direction
   with what the mount read, or with what stood still.  This is where a sweep becomes evidence of the
   axis.
4. `system.py` is one linear system for all of them: sessions inside nights inside an instrument's era,
   eliminated in that order, so that the cost is linear in readings.
5. `fit.py` iterates it with the exact geometry (first order only in the slopes), robust weights, and
   scales from the data.
6. `outliers.py` looks for wrong readings and syncs that nobody logged.
7. `mount_frame.py`, `mount_frame_changes.py` and `clock_hours.py` check what the mount's places mean and
   whether its clock was right; `log_zone.py`, before all of this, whether the whole log is by another
   zone's time.
8. `bending.py` asks whether tube, bearings or circles bend with the hour angle, and whether how they do
   changed one day.
9. `instrument_changes.py` looks for another telescope that nobody wrote down, by each night's own constants.
10. `altered_reports.py` asks whether the mount has a star model that hides its axis error.
11. `estimate.py` calls all of this; begin there.

What it rests on
----------------
- Declination zeros scatter about a group's mean with a repeatability from the data (Student's t,
  MacKay's fixed point): kept, poorly kept and lost are one continuum.
- Hour-angle zeros are never shared here, because a tilt moves them; the history shares them.
- Cone error and the offset between tube sides may shift from session to session (a mirror), by a size
  from the data.  A mirror that settles differently on each side also shifts the picture sideways, alike
  on both sides; that shift has a size of its own, because otherwise one that only changes sign with the
  side costs a sixth more.  A fork is a mount of one side.
- Wrong readings and second syncs compete by marginal likelihood, a night at a time; explanations nearly
  as likely widen the night's covariance.
- Scatter is weighted after Huber.  A night's own scatter counts against 20 readings of the
  instrument's.

Refraction has an error of its own (sizes in `drift.sky.air`).  One part is shared by all nights:
formula and light and, without temperatures, the site's mean and its season, which show in how the error
grows toward the horizon.  The rest is each night's own.  The season's part counts as each night's own.

What the mount reports
----------------------
- *Altered by a model of its own*: without sweeps only odds can tell.  The axis is then NaN with
  `axis_reason`, `own_covariance` and `working` still show changes, and `covariance` carries what all
  nights share.  A small model takes the constants that it doesn't know of for an axis elsewhere, so that
  an axis a minute or two off is no proof of a raw mount.
- *J2000, or without refraction, or from some night on*: some nights are fitted each way.
- *A clock an hour off*: nights are fitted again with the sky turned by 15 degrees.  The evidence is
  refraction, tube sides, the horizon and kept zeros, joined by a chain over the nights.  What hardly
  ever changes is the whole of the hours found, not the last one; a stretch between nights of another
  hour is tried with that hour once more, with the solves that were set aside on the way.

Rejected
--------
- a separate fit for each night, constants free: 9 solves can't carry 8 unknowns;
- redescending weights alone: with 5 solves and one wrong they can settle on the wrong one;
- expectation-maximisation for the repeatability: it creeps when that is small;
- the axis as evidence of the clock a night at a time: one slip would count as a clock on every night
  after it;
- plain squares for the clock: one night that scatters looks like a wrong clock.
"""
