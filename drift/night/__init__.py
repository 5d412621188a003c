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

Rejected: a fit a night with constants free (9 solves can't carry 8 unknowns); redescending weights
alone (with 5 solves and one wrong they can settle on the wrong one); expectation-maximisation for
the repeatability (it creeps when that is small).
"""
