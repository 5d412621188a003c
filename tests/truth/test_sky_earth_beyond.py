"""How well UT1 and the pole are foretold past a table's end: past years foretold from their own past."""

from dataclasses import replace

import numpy as np

from drift.sky.time_scales import (
    ARCSEC,
    DAYS_A_YEAR,
    POLE_ERROR_ARCSEC,
    UT1_ERROR_S,
    UT1_ERROR_S_A_YEAR,
    UTC_RULE_S,
    installed_earth_rotation,
)

KNOWN_TO_MJD = 61_000  # 2025-11: measured, not foretold, in every table that the package can meet
AHEAD_DAYS = np.array([30, 91, 182, 365, 730, 1096, 1826])


# The foretelling is linear until UTC's rule of 0.9 s holds it back: on UT1 made ten times smaller it never
# does.
SMALLER = 0.1


def known_part():
    table = installed_earth_rotation()
    rows = KNOWN_TO_MJD - table.first_mjd
    return table, table.ut1_minus_utc_s[:rows], table.xp_arcsec[:rows], table.yp_arcsec[:rows]


def foretold(table, series, cut, ahead):
    """Return UT1 - UTC [s] and the pole [arcsec] as they are foretold from the first `cut` days."""
    ut1, xp, yp = (column[:cut] for column in series)
    short = replace(table, ut1_minus_utc_s=ut1, xp_arcsec=xp, yp_arcsec=yp)
    state = short.at(short.last_mjd + ahead, np.zeros(len(ahead)))
    return state.ut1_minus_utc_s, state.xp_rad / ARCSEC, state.yp_rad / ARCSEC


def said_s(ahead):
    return UT1_ERROR_S + UT1_ERROR_S_A_YEAR * ahead / DAYS_A_YEAR


def test_errors_stay_within_what_is_said_while_no_leap_second_comes():
    table, ut1, xp, yp = known_part()
    smooth = SMALLER * (ut1 - np.cumsum(np.round(np.diff(ut1, prepend=ut1[0]))))
    worst_share, worst_pole = 0.0, 0.0
    for cut in range(366, len(ut1) - 30, 90):
        ahead = AHEAD_DAYS[cut - 1 + AHEAD_DAYS < len(ut1)]
        here = smooth[cut - 1]
        then, x, y = foretold(table, (smooth - here, xp, yp), cut, ahead)
        came = cut - 1 + ahead
        share = np.abs(then - (smooth[came] - here)) / SMALLER / said_s(ahead)
        worst_share = max(worst_share, share.max())
        worst_pole = max(worst_pole, np.hypot(x - xp[came], y - yp[came]).max())
    assert 0.7 < worst_share <= 1.0  # the bound holds and is no empty one
    assert 0.2 < worst_pole <= POLE_ERROR_ARCSEC


def test_unknown_leap_seconds_add_no_more_than_is_said():
    table, ut1, xp, yp = known_part()
    leaps = np.cumsum(np.abs(np.diff(ut1, prepend=ut1[0])) > 0.5)
    for cut in range(366, len(ut1) - 30, 90):
        ahead = AHEAD_DAYS[cut - 1 + AHEAD_DAYS < len(ut1)]
        then = foretold(table, (ut1, xp, yp), cut, ahead)[0]
        came = cut - 1 + ahead
        error = np.abs(then - ut1[came])
        assert np.all(error <= said_s(ahead) + leaps[came] - leaps[cut - 1])
        assert error.max() <= 2 * UTC_RULE_S
