"""Whether the forecast may be trusted is said in one sentence, by its band and the plain annual shape."""

import pytest

from drift.forecast.outlook import Hindcast
from drift.render.outlook import score_sentence


def past(*three):
    """Return past forecasts of 40 nights each: off by, the annual shape off by, share inside the band."""
    return [
        Hindcast(
            winter=str(k), cut_us=0, nights=40, rms=rms, rms_annual=plain, inside=inside, forcing="frozen"
        )
        for k, (rms, plain, inside) in enumerate(three)
    ]


@pytest.mark.parametrize(
    ("one", "verdict", "against"),
    [
        (
            (8.0, 14.0, 0.8),
            "The forecast may be trusted:",
            'nearer than the plain annual shape, which was off by 14"',
        ),
        ((8.0, 8.4, 0.7), "The forecast may be trusted:", 'as near as the plain annual shape (8")'),
        ((8.0, 8.0, 0.99), "The forecast may be trusted, and is surer than its band says:", "as near"),
        ((20.0, 10.0, 0.8), "Trust the forecast's band, but rather the plain annual shape", "further than"),
        ((20.0, 30.0, 0.4), "Don't trust the forecast's band, which was too narrow:", "nearer than"),
        ((20.0, 10.0, 0.4), "too narrow, and the plain annual shape rather than its middle:", "further than"),
    ],
)
def test_band_and_middle_each_have_their_say(one, verdict, against):
    said = score_sentence(past(one, one))
    assert verdict in said and against in said
    assert "One year says little" not in said
    assert score_sentence(past(one)).endswith("One year says little: ask again after the next.")


def test_years_are_put_together_by_their_nights():
    # root mean square of 6 and 8 is 7.07; of 0.6 and 1.0, 0.8
    said = score_sentence(past((6.0, 20.0, 0.6), (8.0, 20.0, 1.0)))
    assert 'off by 7"' in said and "held 80 % of what came" in said and "over 2 years" in said
