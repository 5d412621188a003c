"""The mean place about which the pole of the Earth wanders, as the conventions give it."""

import numpy as np
import pytest

from drift.sky.time_scales import secular_pole_arcsec


@pytest.mark.parametrize(
    ("year", "x_mas", "y_mas"),
    [
        # IERS Conventions (2010), version 1.3.0, section 7.1.4, eq. 21 (from memory): 55.0 + 1.677 t and
        # 320.5 + 3.460 t [mas], t in years since 2000, by a pocket calculator.
        (2000.0, 55.0, 320.5),
        (2010.0, 71.77, 355.1),
        (2026.0, 98.602, 410.46),
    ],
)
def test_secular_pole_of_the_conventions(year, x_mas, y_mas):
    mjd = 51_544.5 + (year - 2000.0) * 365.25
    assert np.array(secular_pole_arcsec(mjd)) * 1000.0 == pytest.approx([x_mas, y_mas], abs=1e-6)
