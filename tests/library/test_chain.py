"""The banded chain against dense algebra and a Kalman smoother: the same numbers."""

import numpy as np
import pytest

from drift.linear import make_chain

#: Two exact ways of one small linear problem differ by rounding only.
ROUNDING = 1e-8


def random_chain(seed, n=7, d=3):
    rng = np.random.default_rng(seed)
    step = np.array([np.diag(rng.uniform(0.5, 2.0, d)) for _ in range(n)])  # variances of the walk's steps
    sees = rng.normal(size=(n, 2, d))
    noise = np.array([np.diag(rng.uniform(0.3, 1.5, 2)) for _ in range(n)])
    reading = rng.normal(size=(n, 2))
    return step, sees, noise, reading


def as_chain(step, sees, noise):
    inverse = np.linalg.inv(step)
    diagonal = inverse + np.swapaxes(sees, 1, 2) @ np.linalg.inv(noise) @ sees
    diagonal[:-1] += inverse[1:]
    return make_chain(diagonal, -inverse[1:])


def dense(chain):
    n, d = chain.shape
    full = np.zeros((n * d, n * d))
    for k in range(n):
        full[k * d : (k + 1) * d, k * d : (k + 1) * d] = chain.diagonal[k]
        if k < n - 1:
            full[k * d : (k + 1) * d, (k + 1) * d : (k + 2) * d] = chain.above[k]
            full[(k + 1) * d : (k + 2) * d, k * d : (k + 1) * d] = chain.above[k].T
    return full


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 8, 13])
def test_covariance_of_chains_of_every_length_is_the_dense_one(n):
    chain = as_chain(*random_chain(n, n=n)[:3])
    blocks, between = chain.covariance_blocks()
    inverse, d = np.linalg.inv(dense(chain)), chain.shape[1]
    for k in range(n):
        own, following = slice(k * d, (k + 1) * d), slice((k + 1) * d, (k + 2) * d)
        assert blocks[k] == pytest.approx(inverse[own, own], abs=ROUNDING)
        assert k == n - 1 or between[k] == pytest.approx(inverse[own, following], abs=ROUNDING)


@pytest.mark.parametrize("seed", range(3))
def test_solve_determinant_and_covariance_are_the_dense_ones(seed):
    step, sees, noise, _ = random_chain(seed)
    chain = as_chain(step, sees, noise)
    full = dense(chain)
    n, d = chain.shape
    right = np.random.default_rng(seed).normal(size=(n * d, 2))
    assert chain.solve(right) == pytest.approx(np.linalg.solve(full, right), abs=ROUNDING)
    assert chain.log_determinant() == pytest.approx(np.linalg.slogdet(full)[1], abs=ROUNDING)
    blocks, between = chain.covariance_blocks()
    inverse = np.linalg.inv(full)
    for k in range(n):
        own = slice(k * d, (k + 1) * d)
        assert blocks[k] == pytest.approx(inverse[own, own], abs=ROUNDING)
        if k < n - 1:
            assert between[k] == pytest.approx(inverse[own, (k + 1) * d : (k + 2) * d], abs=ROUNDING)


def test_a_kalman_smoother_gives_the_same_numbers():
    """Fixed-interval smoother of Rauch, Tung and Striebel (1965) on a random walk from a known start."""
    step, sees, noise, reading = random_chain(11)
    n, d = sees.shape[0], sees.shape[2]
    means, covs, ahead = [], [], []
    mean, cov = np.zeros(d), np.zeros((d, d))
    for k in range(n):
        cov = cov + step[k]
        ahead.append(cov)
        gain = cov @ sees[k].T @ np.linalg.inv(sees[k] @ cov @ sees[k].T + noise[k])
        mean = mean + gain @ (reading[k] - sees[k] @ mean)
        cov = cov - gain @ sees[k] @ cov
        means.append(mean)
        covs.append(cov)
    for k in range(n - 2, -1, -1):
        back = covs[k] @ np.linalg.inv(ahead[k + 1])
        means[k] = means[k] + back @ (means[k + 1] - means[k])
        covs[k] = covs[k] + back @ (covs[k + 1] - ahead[k + 1]) @ back.T
    chain = as_chain(step, sees, noise)
    right = np.einsum("nij,nik,nk->nj", sees, np.linalg.inv(noise), reading).reshape(-1)
    assert chain.solve(right).reshape(n, d) == pytest.approx(np.array(means), abs=ROUNDING)
    assert chain.covariance_blocks()[0] == pytest.approx(np.array(covs), abs=ROUNDING)


def test_auxiliary_scan_agrees_with_adding_the_step_outright():
    """The gain read off one pass is the difference of two full marginal likelihoods."""
    from exact_mount import Case, make

    from drift.history.changes import STEP_SD, Step, step_cause
    from drift.history.components import gains, spread
    from drift.history.model import Scales
    from drift.history.separate import centred, make_model
    from drift.history.series import make_series
    from drift.history.steps import Solver
    from drift.night.estimate import estimate_nights
    from drift.night.prepared import split_nights

    made = make(Case(41, nights=30, moves=lambda d: (0, 0, 80.0 * (d > 250), 0)))
    split = split_nights(0.0, made.readings["corrections"])
    phi = np.radians(46.0)
    nights = estimate_nights(phi, split, made.readings, made.directions, "kept")
    series, _ = make_series(nights, made.readings["levels"], split.constants_us)
    series, _ = centred(series)
    model, scales = make_model(series, phi, []), Scales()
    without = Solver(model).at(scales)
    scanned = gains(without, spread(without))
    for part in ("mount_az", "mount_alt", "zero"):  # of the pier and of both knobs two priors are mixed
        for k in (3, 12, 20, 28):
            step = step_cause(series, Step(k, {part: 1.0}), "step 0")
            outright = Solver(model.with_causes(step)).at(scales).log_marginal - without.log_marginal
            assert scanned.step[part][k] == pytest.approx(outright, abs=1e-4), (part, k, STEP_SD[part])
