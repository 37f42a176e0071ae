"""Models of graphic equalizers and the solver that sets their faders."""

from evenhall.equalizer.graphic import (
    MODELS,
    GraphicUnit,
    Model,
    band_gain_db,
    finer_unit,
    graphic_unit,
    unit_gain_db,
    unit_response,
)
from evenhall.equalizer.solver import STOP_DB, OutOfReach, Solution, Wanted, solve

__all__ = [
    "MODELS",
    "STOP_DB",
    "GraphicUnit",
    "Model",
    "OutOfReach",
    "Solution",
    "Wanted",
    "band_gain_db",
    "finer_unit",
    "graphic_unit",
    "solve",
    "unit_gain_db",
    "unit_response",
]
