"""Shares of sources: Phillips and Gregg's equations and posteriors."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.errors import InputError, NoSolutionError, ShapeError
from reeftally.ledger import mix


def two(conditions):
    def of(name, fallback):
        return conditions.get(name, conditions.get(fallback))

    return {
        "mixture": conditions["dM"],
        "sources": [conditions["dA"], conditions["dB"]],
        "mixture_sd": of("sdM", "sd_all"),
        "sources_sd": [of("sdA", "sd_all"), of("sdB", "sd_all")],
        "mixture_n": of("nM", "n_all"),
        "sources_n": [of("nA", "n_all"), of("nB", "n_all")],
    }


def test_two_sources_share_and_error(row):
    found = mix(**two(row("mix2-f")["conditions"]))

    assert found.share[0] == pytest.approx(row("mix2-f")["value"], abs=row("mix2-f")["tolerance"])
    assert found.sd[0] == pytest.approx(row("mix2-se")["value"], abs=row("mix2-se")["tolerance"])
    assert found.share.sum() == pytest.approx(1.0, abs=1e-12)


def test_the_error_halves_when_the_sources_lie_twice_as_far_apart(row):
    given_ = row("mix2-se-diff2")["conditions"]
    near = mix(**two(given_))
    far = mix(**two({**given_, "dM": -11, "dA": -9, "dB": -13}))

    assert near.sd[0] == pytest.approx(row("mix2-se-diff2")["value"], abs=1e-9)
    assert far.sd[0] / near.sd[0] == pytest.approx(row("mix2-se-ratio")["value"], abs=1e-9)


def test_the_error_halves_when_samples_go_from_one_to_four():
    # Phillips and Gregg 2001, abstract; with n = 1 the sd of a value is that of the mean.
    one = mix(mixture=-11, sources=[-10, -12], mixture_sd=1.0, sources_sd=[1.0, 1.0])
    four = mix(mixture=-11, sources=[-10, -12], mixture_sd=1.0, sources_sd=[1.0, 1.0], mixture_n=4, sources_n=[4, 4])

    assert four.sd[0] / one.sd[0] == pytest.approx(0.5, abs=1e-12)


def test_degrees_of_freedom_by_satterthwaite():
    found = mix(mixture=-11, sources=[-10, -12], mixture_sd=1, sources_sd=1, mixture_n=5, sources_n=[5, 5])
    # Terms var(M)=0.2, f^2 var(A)=0.05, (1-f)^2 var(B)=0.05 over 4 degrees of freedom each:
    # 0.3^2 / [(0.2^2 + 2 * 0.05^2) / 4] = 8
    assert found.degrees_of_freedom == pytest.approx([8.0, 8.0], abs=1e-9)


def test_three_sources_with_two_tracers(row):
    given_ = row("mix3-fA")["conditions"]
    found = mix(mixture=given_["mixture"], sources=given_["sources"], mixture_sd=0.3, sources_sd=0.3)

    assert found.share[0] == pytest.approx(row("mix3-fA")["value"], abs=row("mix3-fA")["tolerance"])


def test_errors_of_three_sources_meet_a_simulation():
    rng = np.random.default_rng(1)
    ends = np.array([[-21.4, 4.0], [-13.3, 2.0], [-8.0, 6.0]])
    found = mix(mixture=[-16.0, 3.6], sources=ends, mixture_sd=0.1, sources_sd=0.15, sources_correlation=0.5)
    tilt = np.linalg.cholesky([[1.0, 0.5], [0.5, 1.0]])
    shares = []
    for _ in range(4000):
        drawn = ends + 0.15 * rng.normal(size=(3, 2)) @ tilt.T
        system = np.vstack([drawn.T, np.ones(3)])
        shares.append(np.linalg.solve(system, [*(np.array([-16.0, 3.6]) + 0.1 * rng.normal(size=2)), 1.0]))

    # standard error of a standard deviation from 4000 draws is 1.1 %
    assert found.sd == pytest.approx(np.std(shares, axis=0), rel=0.05)


def test_the_bounded_posterior_with_known_sources_is_a_truncated_normal(row):
    given_ = row("bayes2-mean-0")["conditions"]
    found = mix(mixture=given_["dM"], sources=[given_["dA"], given_["dB"]], mixture_sd=given_["se_dM"], sources_sd=0.0)

    assert found.posterior_mean[0] == pytest.approx(row("bayes2-mean-0")["value"], abs=1e-5)
    assert found.posterior_upper[0] == pytest.approx(row("bayes2-hi-0")["value"], abs=1e-5)


@pytest.mark.parametrize("count", [2, 3])
def test_with_no_information_the_posterior_is_the_prior(count, row):
    expected = row(f"bayes-dirichlet-{count}")["value"]
    found = mix(mixture=0.0, sources=np.arange(count) * 1e-6, mixture_sd=1.0, sources_sd=0.0)

    assert found.prior_sd == pytest.approx(expected, abs=1e-9)
    # quadrature: 600 steps a side for three sources
    assert found.posterior_sd == pytest.approx(np.full(count, expected), abs=1e-5)
    assert found.bounded


def test_three_sources_with_one_tracer_leave_the_shares_open():
    found = mix(mixture=-16.0, sources=[-21.4, -13.3, -8.0], mixture_sd=0.3, sources_sd=0.3)

    assert np.isnan(found.share).all()
    assert found.posterior_mean.sum() == pytest.approx(1.0, abs=1e-9)
    assert found.posterior_sd[1] > 0.6 * found.prior_sd


def test_a_share_beyond_one_is_not_clipped():
    found = mix(mixture=-23.0, sources=[-21.4, -13.3], mixture_sd=0.3, sources_sd=0.3)

    assert found.share[0] > 1.0
    assert found.bounded
    assert found.posterior_mean[0] < 1.0


@given(st.floats(-30, 10), st.floats(-30, 10), st.floats(-0.5, 1.5))
def test_the_shares_rebuild_the_mixture(first, second, share):
    if abs(first - second) < 0.1:
        return
    mixture = share * first + (1 - share) * second
    found = mix(mixture=mixture, sources=[first, second], mixture_sd=0.1, sources_sd=0.1)

    assert found.share[0] == pytest.approx(share, abs=1e-9)


def test_sources_alike_and_shapes_that_do_not_fit_are_refused():
    with pytest.raises(NoSolutionError, match="one point"):
        mix(mixture=-11.0, sources=[-10.0, -10.0], mixture_sd=1.0, sources_sd=1.0)
    with pytest.raises(ShapeError, match="two or three"):
        mix(mixture=-11.0, sources=[-10.0, -9.0, -8.0, -7.0], mixture_sd=1.0, sources_sd=1.0)
    with pytest.raises(InputError, match="not a finite"):
        mix(mixture=np.nan, sources=[-10.0, -9.0], mixture_sd=1.0, sources_sd=1.0)
    with pytest.raises(InputError, match="without error"):
        mix(mixture=-9.5, sources=[-10.0, -9.0], mixture_sd=0.0, sources_sd=0.0)
