"""Where only the shape in time tells pier from mount, the frost must have been seen to come and to go."""

import numpy as np
import pytest

from drift.history.forcing import comes_and_goes


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ([0.0, 0.4, 1.0, 0.6, 0.4], True),  # rises by 1.0, falls by 0.6
        ([0.0, 0.4, 1.0, 0.8, 0.6], False),  # falls by 0.4
        ([1.0, 0.5, 0.0, 0.0, 0.6], True),  # falls by 1.0, rises by 0.6
        ([0.0, 0.2, 0.5, 0.9, 1.0], False),
        ([0.0, 0.0, 0.0, 0.0, 0.0], False),
    ],
)
def test_half_a_winter_is_none(value, told):
    assert comes_and_goes(np.array(value)) is told
