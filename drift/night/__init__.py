"""One night's readings become where the axis points, with its covariance.

One linear system for all sources: sessions inside nights inside an instrument era, eliminated in
that order, so that the cost is linear in readings. The geometry is exact and iterated (first order
only in the slopes). Declination zeros scatter about a group mean with a repeatability from the data
(Student, MacKay's fixed point): kept, poorly kept and lost are one continuum. Hour-angle zeros are
never shared inside the night step, because a tilt moves them; the history does that. Cone error and
tube-side offset may shift from session to session (a mirror), with a size from the data. Wrong
readings and second syncs compete by marginal likelihood a night at a time; explanations nearly as
likely widen the night's covariance. Scatter is Huber-weighted; a night's own scatter counts against
20 readings of the instrument's.

Refraction has an error of its own, by sizes of `sky/air.py`: shared by all nights
(formula and light; without temperatures the site's mean and its season, which the nights themselves
tell by how it grows toward the horizon), and each night's. The season's part counts as each night's
own. A mirror that lies another way on each side also shifts the picture across on both alike; its size
is its own, else one that shifts antisymmetrically costs a sixth more. A fork is a mount of one side.

Altered reports: without sweeps only odds tell (night/mount_frame.py); the axis is then NaN with
`axis_reason`, while `own_covariance` and `working` go on telling changes and `covariance` carries what
all nights share. J2000: some nights are fitted both ways (night/mount_frame.py). Clock: nights are
fitted again with the sky turned by 15 degrees (night/clock_hours.py); refraction, tube sides, horizon
and kept zeros are the evidence, and a chain over the nights.

Rejected: the axis as evidence of the clock a night at a time (one slip would count on every night
after it as a clock); plain squares (one night that scatters reads as a clock).

Rejected: a fit a night with constants free (9 solves can't carry 8 unknowns); redescending weights
alone (with 5 solves and one wrong they can settle on the wrong one); expectation-maximisation for
the repeatability (it creeps when that is small).
"""
