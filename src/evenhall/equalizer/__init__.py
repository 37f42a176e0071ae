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
from evenhall.equalizer.solver import EARNS_DB, OutOfReach, Solution, Wanted, solve

__all__ = [
    "EARNS_DB",
    "MODELS",
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
