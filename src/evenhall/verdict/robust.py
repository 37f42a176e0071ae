"""The card that spoils no place it was not made for. Start at `robust_card()`.

It is made for what the spots share, just as they say it. Where that would spoil a spot that was
left out, it is made again, more softly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import GraphicUnit
from evenhall.equalizer.parametric import Parametric
from evenhall.verdict.area import seat_share
from evenhall.verdict.card import Card, band_weights, deviation_db, make_card, may_fill
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.leftout import LeftOut, left_out, too_bold
from evenhall.verdict.move import Stage
from evenhall.verdict.patterns import Pattern, find_patterns

__all__ = ["CAUTIONS", "Recipe", "robust_card"]

# How softly a card may be made, see `area_wanted_db()`; 0 takes the spots at their word. The first
# that spoils no place is taken, or else the last.
CAUTIONS = (0.0, 1.0, 2.0, 4.0, 8.0)


@dataclass(frozen=True)
class Recipe:
    """How a card is made of any spots of one visit; what the whole visit knows stays the same.

    Parameters
    ----------
    unit : GraphicUnit
    stage : Stage
    target : ndarray, shape (31,)
    cancelled : ndarray of bool, shape (31,)
    range_hz : tuple of float
    other_units : mapping of str to GraphicUnit
        Of sides whose channel of the equalizer is not like `unit`.
    strip : Parametric or None
        A channel strip before it.
    """

    unit: GraphicUnit
    stage: Stage
    target: NDArray[np.float64]
    cancelled: NDArray[np.bool_]
    range_hz: tuple[float, float]
    other_units: Mapping[str, GraphicUnit] = field(default_factory=dict)
    strip: Parametric | None = None

    def patterns(self, common: CommonResponse) -> tuple[Pattern, ...]:
        """Find the patterns of some spots."""
        return find_patterns(
            common,
            deviation_db(common.level_db, self.target),
            cancelled=self.cancelled,
            range_hz=self.range_hz,
            fader_spacing_octaves=float(np.median(np.diff(np.log2(self.unit.centre_hz)))),
        )

    def card(self, common: CommonResponse, *, caution: float, apart: bool | None = None) -> Card:
        """Make the card of some spots, as softly as `caution` says."""
        patterns = self.patterns(common)
        deviation = deviation_db(common.level_db, self.target)
        weight = band_weights(common, deviation, patterns, range_hz=self.range_hz)
        return make_card(
            common,
            self.unit,
            target=self.target,
            weight=weight,
            fill=may_fill(patterns, weight, self.cancelled, low_limit_hz=self.range_hz[0]),
            low_limit_hz=self.range_hz[0],
            share=seat_share(common.spots, self.stage.audience, self.stage.speaker),
            caution=caution,
            apart=apart,
            other_units=self.other_units,
            strip=self.strip,
        )


def robust_card(common: CommonResponse, recipe: Recipe) -> tuple[Card, tuple[LeftOut, ...]]:
    """Make the boldest card that spoils no place it was not made for, and say what it does there.

    Parameters
    ----------
    common : CommonResponse
        Of the mains.
    recipe : Recipe
    """
    for caution in CAUTIONS:
        card = recipe.card(common, caution=caution)
        make = partial(recipe.card, caution=caution, apart="both" not in card.solutions)
        elsewhere = left_out(common, card, make)
        if not too_bold(elsewhere):
            break
    return card, elsewhere
