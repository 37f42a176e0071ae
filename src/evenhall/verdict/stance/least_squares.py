"""Least squares of a few figures within bounds: `settle()`.

Levenberg and Marquardt's method, damped after Nielsen (1999, from memory); steps are cut at the
bounds, and figures that press against one are left out of them. A library would do, but is
slower to load than the whole verdict takes to compute; the tests hold this against it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Settled", "settle"]

FloatArray = NDArray[np.float64]

MOST_STEPS = 60
DAMPING = 1e-3  # to begin with, of the diagonal
MOST_DAMPING = 1e6  # with more than this the figures no longer move
ENOUGH = 1e-7  # of the sum of squares: what another step must promise


@dataclass(frozen=True, eq=False)
class Settled:
    """Where the sum of squares is least.

    Parameters
    ----------
    figures : ndarray, shape (n_figures,)
    jacobian : ndarray, shape (n_residuals, n_figures)
        There.
    """

    figures: FloatArray
    jacobian: FloatArray
    square_sum: float


def settle(
    residual: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    bound: FloatArray,
    step: FloatArray,
) -> Settled:
    """Find the figures whose residuals have the least sum of squares, near `start`.

    Parameters
    ----------
    residual : callable
        Figures, shape (n_figures,), to residuals, shape (n_residuals,); smooth.
    start : ndarray, shape (n_figures,)
    bound : ndarray, shape (n_figures,)
        Each figure stays within plus and minus this.
    step : ndarray, shape (n_figures,)
        Over which slopes are taken, on both sides of a figure.
    """
    figures = np.clip(start, -bound, bound)
    left = residual(figures)
    jacobian = _jacobian(residual, figures, step)
    square_sum, damping = float(left @ left), DAMPING
    for _ in range(MOST_STEPS):
        tried = _stepped(figures, left, jacobian, bound, damping)
        foreseen = square_sum - float(np.square(left + jacobian @ (tried - figures)).sum())
        left_then = residual(tried)
        gained = square_sum - float(left_then @ left_then)
        if foreseen < ENOUGH * square_sum or damping > MOST_DAMPING:
            break
        if gained <= 0.0:
            damping *= 8.0
            continue
        # Less damping only where the straight model holds: else steps go from side to side.
        damping *= max(1.0 / 8.0, 1.0 - (2.0 * min(gained / foreseen, 1.0) - 1.0) ** 3)
        figures, left, square_sum = tried, left_then, square_sum - gained
        jacobian = _jacobian(residual, figures, step)
    return Settled(figures, jacobian, square_sum)


def _stepped(
    figures: FloatArray,
    left: FloatArray,
    jacobian: FloatArray,
    bound: FloatArray,
    damping: float,
) -> FloatArray:
    """Take a damped step; a figure that would leave its bounds stops there, and the others know."""
    slope = jacobian.T @ left
    free = ~((figures >= bound) & (slope < 0.0) | (figures <= -bound) & (slope > 0.0))
    tried = figures.copy()
    while free.any():
        rest = left + jacobian[:, ~free] @ (tried - figures)[~free]
        normal = jacobian[:, free].T @ jacobian[:, free]
        normal += damping * np.diag(np.maximum(np.diag(normal), 1e-12))
        wanted = figures[free] - np.linalg.solve(normal, jacobian[:, free].T @ rest)
        tried[free] = np.clip(wanted, -bound[free], bound[free])
        inside = tried[free] == wanted
        if inside.all():
            break
        free[np.flatnonzero(free)[~inside]] = False
    return tried


def _jacobian(
    residual: Callable[[FloatArray], FloatArray], figures: FloatArray, step: FloatArray
) -> FloatArray:
    columns = [
        (residual(figures + change) - residual(figures - change)) / (2.0 * size)
        for size, change in zip(step, np.diag(step), strict=True)
    ]
    return np.stack(columns, axis=1)
