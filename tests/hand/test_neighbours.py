"""What the piers of a site lend one of them: pooling that a pencil can follow, and what may not be lent."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from drift.codes import ForcingKind
from drift.ground.heave import LATER_DAYS, FrostForcing
from drift.history.causes import LEFT_BEHIND
from drift.history.inputs import exchanged
from drift.history.model import DesignColumns, Fit, lent
from drift.history.neighbours import (
    BEARINGS_DEG,
    ODD_CHANCE,
    Laws,
    Lender,
    NeighbourPrior,
    Pooled,
    YearlyPrior,
    bearing_odds,
    lender_of,
    neighbour_prior,
    pooled,
)
from drift.types import HistoryScales, Measure, YearlyTilt

ROUNDING = 1e-9
#: The spread between members is averaged over 80 values of it.
BY_STEPS = 0.01
FROZEN, CALENDAR = ForcingKind.FROZEN, ForcingKind.CALENDAR


def test_members_that_are_alike_are_a_weighted_mean():
    """10 +- 3 and 20 +- 4 of piers that do not differ: (10/9 + 20/16) / (1/9 + 1/16) = 13.6 +- 2.4."""
    found = pooled([10.0, 20.0], [3.0, 4.0], spread=1e-9)
    assert found.mean == pytest.approx(13.6, abs=ROUNDING)
    assert found.sd == pytest.approx(2.4, abs=ROUNDING)
    assert found.count == 2


def test_one_neighbour_tells_no_more_than_how_alike_piers_are_beforehand():
    """Of one member nothing shows the spread s, whose square is 36 beforehand: 5^2 + 2 x 36 = 9.85^2."""
    found = pooled([50.0], [5.0], spread=6.0)
    assert found.mean == pytest.approx(50.0)
    assert found.sd == pytest.approx(np.sqrt(25.0 + 72.0), rel=BY_STEPS)
    assert found.between == pytest.approx(6.0, rel=BY_STEPS)


def test_more_neighbours_that_agree_tell_more():
    sds = [pooled([30.0] * count, [2.0] * count, 10.0).sd for count in (1, 2, 3, 5, 20)]
    assert all(b < a for a, b in zip(sds, sds[1:], strict=False))
    assert sds[0] > 14.0 and sds[-1] < 4.0


@pytest.mark.parametrize("others", [[30.0, 31.0], [30.0, 31.0, 29.0], [30.0, 31.0, 29.0, 32.0, 30.0]])
@pytest.mark.parametrize("off", [20.0, 40.0, -25.0])
def test_one_that_disagrees_widens_and_never_narrows(others, off):
    agreed = pooled(others, [2.0] * len(others), 10.0)
    disagreed = pooled([*others, 30.0 + off], [2.0] * (len(others) + 1), 10.0)
    if len(others) > 2:
        assert disagreed.sd > agreed.sd
    assert disagreed.between > agreed.between
    low, high = disagreed.mean - 2.5 * disagreed.sd, disagreed.mean + 2.5 * disagreed.sd
    assert low < 30.0 + off < high  # one more like it is no surprise


def test_eight_schools():
    """The example of Gelman et al., Bayesian Data Analysis, section 5.5.

    With a flat prior of the spread the mean effect is 7.9 to 8.0 and the mean spread 6.6 (from memory, of
    many runs of that example); here the prior is half-normal with a sd of 30.
    """
    effects = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0]
    errors = [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0]
    found = pooled(effects, errors, spread=30.0)
    assert found.mean == pytest.approx(7.9, abs=0.3)
    assert 6.0 < found.between < 10.0  # the root of the mean square is above the mean of 6.6
    # where they are all alike it is the weighted mean, 7.7 +- 4.1 (ibid.)
    alike = pooled(effects, errors, spread=1e-9)
    assert (alike.mean, alike.sd) == (pytest.approx(7.7, abs=0.05), pytest.approx(4.1, abs=0.05))


def test_bearings_that_agree_and_that_do_not():
    agree = np.array(bearing_odds([40.0, 50.0, 45.0, 48.0, 42.0], [5.0] * 5))
    assert agree.sum() == pytest.approx(1.0)
    assert BEARINGS_DEG[np.argmax(agree)] == 45.0
    assert agree[np.abs(BEARINGS_DEG - 45.0) <= 30.0].sum() > 0.85
    spread = np.array(bearing_odds([10.0, 100.0, 190.0, 280.0, 145.0], [5.0] * 5))
    assert spread.max() < 2.5 / BEARINGS_DEG.size
    one_off = np.array(bearing_odds([40.0, 50.0, 45.0, 48.0, 42.0, 225.0], [5.0] * 6))
    assert one_off.max() < 0.6 * agree.max()
    across_north = np.array(bearing_odds([350.0, 10.0, 0.0], [5.0] * 3))
    assert BEARINGS_DEG[np.argmax(across_north)] == 0.0
    unknown = np.array(bearing_odds([45.0, 45.0], [180.0, 180.0]))
    assert unknown.max() < 1.1 * unknown.min()


def test_a_reading_under_the_law_that_neighbours_lend():
    """2 +- 1 under N(0, 10^2) is 200/101; under N(5, 1) it is 3.5 +- 0.71."""
    wide = 100.0 / 101.0
    alone = Laws(np.zeros(1), np.zeros((1, 1)), np.array([[[100.0]]]))
    lent = Laws(np.zeros(2), np.array([[5.0], [0.0]]), np.array([[[1.0]], [[100.0]]]))
    told = exchanged(np.array([2.0 * wide]), np.array([[wide]]), alone, lent)
    assert told.mean[:, 0] == pytest.approx([3.5, 2.0 * wide], abs=ROUNDING)
    assert told.cov[:, 0, 0] == pytest.approx([0.5, wide], abs=ROUNDING)
    gain = norm.logpdf(2.0, 5.0, np.sqrt(2.0)) - norm.logpdf(2.0, 0.0, np.sqrt(101.0))
    assert told.log_gain == pytest.approx([gain, 0.0], abs=ROUNDING)


def test_several_amplitudes_at_once_against_the_law_of_the_readings():
    rng = np.random.default_rng(3)
    sees, y = rng.normal(size=(5, 3)), rng.normal(size=5)
    root = rng.normal(size=(3, 3))
    alone = Laws(np.zeros(1), np.array([[0.2, 0.1, -0.3]]), np.array([np.eye(3) * 4.0]))
    lent = Laws(np.zeros(1), np.array([[1.0, -1.0, 0.5]]), np.array([root @ root.T + np.eye(3)]))
    cov = np.linalg.inv(sees.T @ sees + np.linalg.inv(alone.cov[0]))
    mean = cov @ (sees.T @ y + np.linalg.solve(alone.cov[0], alone.mean[0]))
    told = exchanged(mean, cov, alone, lent)
    by_readings = [
        multivariate_normal(sees @ law.mean[0], sees @ law.cov[0] @ sees.T + np.eye(5)).logpdf(y)
        for law in (lent, alone)
    ]
    assert told.log_gain[0] == pytest.approx(by_readings[0] - by_readings[1], abs=ROUNDING)


# ---- The prior of one pier.


def lagging(lag_days=7.0, kind=FROZEN):
    none = np.zeros(2)
    return FrostForcing(kind, lag_days, np.array([0, 1]), none, none, none)


def prior_of(lag=14.5, lag_sd=3.0):
    frost = YearlyPrior(
        log_size=Pooled(mean=float(np.log(40.0)), sd=0.3, between=0.3, count=5),
        bearing_odds=tuple(np.full(BEARINGS_DEG.size, 1.0 / BEARINGS_DEG.size).tolist()),
        lag_days={FROZEN: Pooled(mean=lag, sd=lag_sd, between=2.0, count=5)},
        log_scales={"season": Pooled(mean=0.0, sd=0.5, between=0.3, count=5)},
    )
    return NeighbourPrior(
        piers=("a", "b"), kinds=dict.fromkeys(ForcingKind, 1.0 / 6.0), frost=frost, calendar=None
    )


def test_five_normal_laws_stand_for_the_log_normal_one():
    """Middles of fifths lie at 0, 0.524 and 1.282 sds; with what is left within them they have its moments.

    exp(log 40 + 0.3^2 / 2) = 41.84, times the root of exp(0.09) - 1 = 12.84.
    """
    sizes = np.array(prior_of().frost.sizes())
    assert sizes[2, 0] == pytest.approx(40.0, rel=0.02) and sizes[4, 0] == pytest.approx(58.8, rel=0.02)
    mean = sizes[:, 0].mean()
    sd = np.sqrt(np.mean(sizes[:, 1] ** 2 + (sizes[:, 0] - mean) ** 2))
    assert (mean, sd) == (pytest.approx(41.84, rel=0.01), pytest.approx(12.84, rel=0.03))


def test_a_lag_between_those_tried_is_a_share_of_the_later_one():
    """14.5 days behind, followed at 7: half of it comes from what lags 15 days more."""
    prior = prior_of()
    laws = prior.laws(lagging(7.0), np.eye(6))
    sizes, count = prior.frost.sizes(), BEARINGS_DEG.size
    assert laws.mean.shape == (5 * count + 1, 6)
    middle, sd = sizes[2]
    east = laws.mean[2 * count + list(BEARINGS_DEG).index(90.0)]
    assert east == pytest.approx([0.0, 0.0, 0.0, middle, 0.5 * middle, 0.0], abs=1e-9)
    assert (14.5 - 7.0) / LATER_DAYS == 0.5
    assert np.sqrt(laws.cov[2 * count, 0, 0]) == pytest.approx(sd)  # due north
    # the last law is the one that the pier has alone
    assert laws.mean[-1] == pytest.approx(np.zeros(6)) and laws.cov[-1] == pytest.approx(np.eye(6))
    assert np.exp(laws.log_odds).sum() == pytest.approx(1.0)
    # its share is the chance of an odd one that follows the frozen soil; all six kinds are alike here
    assert np.exp(laws.log_odds[-1]) == pytest.approx(ODD_CHANCE)
    for cov in laws.cov:
        assert np.linalg.eigvalsh(cov).min() > 0.0


def test_what_no_neighbour_follows_gets_nothing():
    prior = prior_of()
    assert prior.laws(None, np.eye(8)) is None
    assert prior.laws(lagging(5.0, ForcingKind.TEMPERATURE), np.eye(6)) is None
    assert prior.log_lag(lagging(7.0)) < prior.log_lag(lagging(14.5)) == 0.0


def test_a_scale_of_neighbours_takes_the_place_of_the_one_alone():
    """Alone the log of the season is N(log 10, 1.4^2), of the neighbours N(0, 0.5^2)."""
    prior, alone = prior_of(), {"season": (10.0, 1.4)}
    for season in (0.5, 1.0, 4.0):
        log = np.log(season)
        more = 0.5 * ((log - np.log(10.0)) / 1.4) ** 2 - 0.5 * (log / 0.5) ** 2
        assert prior.log_of_scales(lagging(), {"season": season}, alone) == pytest.approx(more)
    step = 1e-6
    ends = [prior.log_of_scales(lagging(), {"season": 3.0 * np.exp(s)}, alone) for s in (step, -step)]
    slope = prior.slope_of_scales(lagging(), {"season": 3.0}, alone)["season"]
    assert slope == pytest.approx((ends[0] - ends[1]) / (2.0 * step), rel=1e-6)
    assert prior.log_of_scales(None, {"season": 3.0}, alone) == 0.0


# ---- From the histories of the others.


def lender(size=40.0, bearing=45.0, lag=10.0, follows=FROZEN, odds=None):
    yearly = YearlyTilt(
        size=Measure(value=size, sd=3.0),
        bearing_deg=Measure(value=bearing, sd=5.0),
        lag_days=Measure(value=lag, sd=4.0),
    )
    scales = HistoryScales(
        tilt_walk_arcsec_per_sqrt_day=0.2,
        across_share=0.2,
        heave_bearing_deg=bearing,
        az_creep_arcsec_per_sqrt_day=0.03,
        alt_creep_arcsec_per_sqrt_day=0.03,
        zero_repeat_arcsec=6.0,
        zero_creep_arcsec_per_sqrt_day=0.1,
        season_arcsec=2.0,
        settlement_arcsec=5.0,
        frost_arcsec=size,
        level_factor=1.0,
    )
    odds = {follows: 0.99, CALENDAR: 0.01} if odds is None else odds
    return Lender(follows=follows, forcing_odds=odds, yearly=yearly, scales=scales)


def test_a_pier_never_borrows_from_itself():
    others = {"a": lender(30.0), "b": lender(36.0), "c": lender(34.0)}
    alone = neighbour_prior(others, "mine")
    with_mine = neighbour_prior(others | {"mine": lender(400.0, bearing=225.0)}, "mine")
    assert with_mine == alone
    assert with_mine.piers == ("a", "b", "c")
    assert neighbour_prior({"mine": lender()}, "mine") is None
    assert neighbour_prior({"mine": lender(), "new": None}, "mine") is None


def test_what_was_borrowed_is_not_lent_on():
    own = lender()
    alone = SimpleNamespace(borrowed_from=(), **vars(own))
    assert lender_of(alone) == own
    with pytest.raises(ValueError, match="rests on 1 neighbours"):
        lender_of(SimpleNamespace(**(vars(alone) | {"borrowed_from": ("a",)})))


def test_kinds_count_as_piers():
    """Five follow the frozen soil, and all six kinds together count as one pier more: 5 1/6 of 6.

    That is for the nine of ten that are like their neighbours; an odd one follows each of the six alike.
    """
    five = {str(k): lender(odds={FROZEN: 1.0, CALENDAR: 0.0}) for k in range(5)}
    prior = neighbour_prior(five, "mine")
    assert prior.kinds[FROZEN] == pytest.approx(0.9 * (5.0 + 1.0 / 6.0) / 6.0 + 0.1 / 6.0)
    assert prior.kinds[CALENDAR] == pytest.approx(0.9 / 36.0 + 0.1 / 6.0)
    odd = np.exp(prior.laws(lagging(), np.eye(6)).log_odds[-1])
    assert odd == pytest.approx(0.1 / 6.0 / prior.kinds[FROZEN])
    assert sum(prior.kinds.values()) == pytest.approx(1.0)


def test_one_that_hardly_heaves_widens_the_size():
    four = {str(k): lender(size) for k, size in enumerate((36.0, 40.0, 44.0, 41.0))}
    agreed = neighbour_prior(four, "mine").frost.log_size
    with_small = neighbour_prior(four | {"small": lender(0.5)}, "mine").frost.log_size
    assert with_small.sd > 1.5 * agreed.sd
    # of 0.5 +- 3 no more is taken than that it is 3 or less
    assert with_small == neighbour_prior(four | {"small": lender(3.0)}, "mine").frost.log_size


def test_the_size_of_one_lender_is_as_uncertain_as_its_share_says():
    """6 +- 3: the logarithm's variance is log(1 + 1/4) = 0.2231, and twice 0.6^2 for how piers differ."""
    size = neighbour_prior({"a": lender(6.0)}, "mine").frost.log_size
    assert size.mean == pytest.approx(np.log(6.0))
    assert size.sd == pytest.approx(np.sqrt(0.2231 + 0.72), rel=BY_STEPS)


def test_what_winters_leave_behind_is_lent_as_a_share_of_the_swing():
    """Three that leave 0.00, 0.02 and 0.04 of their swing: one more leaves 0.02 +- 0.1 or less."""
    three = {
        str(k): replace(one, yearly=replace(one.yearly, left_share=Measure(value=share, sd=0.03)))
        for k, (one, share) in enumerate(zip([lender()] * 3, (0.0, 0.02, 0.04), strict=True))
    }
    prior = neighbour_prior(three, "mine")
    left = prior.frost.left_share
    assert left.mean == pytest.approx(0.02, abs=1e-3) and 0.02 < left.sd < 0.12
    laws, (size, _) = prior.laws(lagging(10.0), np.eye(6)), prior.frost.sizes()[0]
    assert laws.mean[0] == pytest.approx([size, 0.0, 0.02 * size, 0.0, 0.0, 0.0], abs=0.1)
    assert neighbour_prior({"a": lender()}, "mine").frost.left_share is None


def test_days_of_the_year_wrap():
    ends = {str(k): lender(lag=day, follows=CALENDAR) for k, day in enumerate((360.0, 4.0, 365.0))}
    day = neighbour_prior(ends, "mine").calendar.lag_days[CALENDAR]
    assert day.mean == pytest.approx(364.75, abs=1.0)  # 360, 369.25, 365
    assert day.sd < 30.0


def test_lent_odds_that_are_settled_on_the_pier_alone_move_nothing():
    """Yearly amplitudes of 2 +- 1 under their own prior N(0, 10^2) stay 2 +- 1, by the last of 121 laws."""
    count = 5 * BEARINGS_DEG.size + 1
    unknown = dict.fromkeys(("scales", "chain", "days", "strays", "rate", "weight", "sees"))
    cov = 100.0 * np.eye(6)
    fit = Fit(
        model=SimpleNamespace(neighbours=prior_of(), frost=lagging()),
        columns=DesignColumns(None, None, np.zeros(6), cov, {"frost": slice(0, 6)}, {}),
        follows=np.zeros((5, 6)),
        walk=np.zeros((2, 5)),
        amplitude=np.full(6, 2.0),
        amplitude_cov=np.eye(6),
        log_marginal=-7.0,
        **unknown,
    )
    alone = np.zeros(count)
    alone[-1] = 1.0
    told = lent(fit, alone)
    assert told.amplitude == pytest.approx(fit.amplitude)
    assert told.amplitude_cov == pytest.approx(fit.amplitude_cov)
    assert told.log_marginal == pytest.approx(-7.0)
    assert told.columns.cov == pytest.approx(cov)
    assert told.lent_odds is alone and told.alone is fit


def test_without_neighbours_a_prior_is_not_touched():
    prior = prior_of()
    assert replace(prior, frost=None).laws(lagging(), np.eye(6)) is None


def test_what_lags_and_what_stays_are_as_uncertain_as_their_share_of_the_swing():
    """Of a swing of 10 for certain: late by 0 +- 3 of 15 days is 0 +- 2, left behind 0 +- its own share."""
    prior = prior_of(lag=7.0, lag_sd=3.0)
    certain = replace(prior.frost, log_size=Pooled(mean=float(np.log(10.0)), sd=0.0, between=0.0, count=5))
    laws = replace(prior, frost=certain).laws(lagging(7.0), np.eye(6))
    assert laws.mean[0] == pytest.approx([10.0, 0.0, 0.0, 0.0, 0.0, 0.0])  # due north
    assert np.sqrt(np.diagonal(laws.cov[0])[:3]) == pytest.approx([0.0, 2.0, 10.0 * LEFT_BEHIND])
