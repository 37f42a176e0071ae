"""Least squares within bounds, held against scipy.optimize."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from evenhall.verdict.stance.least_squares import settle

STEP = np.full(3, 1e-4)


@pytest.mark.parametrize("seed", range(40))
def test_finds_what_a_library_finds(seed: int) -> None:
    """A bent model of three figures, bounds that hold some of them: the same least sum."""
    rng = np.random.default_rng(seed)
    place = np.linspace(0.5, 3.0, 40)
    true = rng.normal(size=3) * 1.5
    data = rng.normal(size=40) * 0.3

    def residual(figures: np.ndarray) -> np.ndarray:
        def model(f: np.ndarray) -> np.ndarray:
            return f[0] * np.log(place) + f[1] * np.exp(-place) + np.tanh(0.3 * f[2] * place)

        return np.concatenate((model(figures) - model(true) - data, 0.2 * figures))

    bound = np.array([1.5, 1.0, 2.0])
    found = settle(residual, np.zeros(3), bound=bound, step=STEP)
    least = least_squares(residual, np.zeros(3), bounds=(-bound, bound), xtol=1e-12, ftol=1e-12)
    assert np.all(np.abs(found.figures) <= bound)
    assert found.square_sum == pytest.approx(2.0 * least.cost, rel=1e-4)
    assert found.figures == pytest.approx(least.x, abs=0.02)
    assert found.jacobian == pytest.approx(least.jac, abs=0.02)


def test_a_start_beyond_the_bounds_is_brought_inside() -> None:
    """And where the least lies at a bound it stays there, with nothing to step to."""
    found = settle(lambda f: f - 5.0, np.full(3, 9.0), bound=np.ones(3), step=STEP)
    assert found.figures.tolist() == [1.0, 1.0, 1.0]
    assert found.square_sum == pytest.approx(48.0)
