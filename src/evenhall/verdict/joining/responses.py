"""Soloed takes of mains and subs, put on one time base: what `subs.py` computes with.

`soloed()` gives the spectra of every side at every spot; `why_not()` says in a sentence what
keeps takes from being joined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.summation import LOW_BANDS, low_spectrum
from evenhall.acoustics.transfer import LEAD_S, Response
from evenhall.hall.label import AtSpot
from evenhall.verdict.take import Take

__all__ = ["RECORD_TOGETHER", "Solo", "no_shared_spot", "no_take_alone", "soloed", "why_not"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

BASS = (EXACT_HZ > 28.0) & (EXACT_HZ < 280.0)
LEAST_COVERED = 0.5  # of a band by the stimulus
RECORD_TOGETHER = "Record the reference on the second channel of the same recorder"
TRUST_DB = 1.0  # a band as unsure as that counts half


@dataclass(frozen=True, eq=False, kw_only=True)
class Solo(AtSpot):
    """One side at one spot, alone.

    Parameters
    ----------
    spectrum : ndarray, shape (n_freq,)
        At `summation.LOW_FREQ_HZ`, from the moment of emission.
    uncertainty_db : ndarray, shape (12,)
        Of `summation.LOW_BANDS`; infinite where nothing is known.
    level_db : ndarray, shape (31,)
        nan where not usable.
    """

    spectrum: ComplexArray
    uncertainty_db: FloatArray
    level_db: FloatArray

    @property
    def trust(self) -> FloatArray:
        """Weight of each low band, 0 to 1."""
        return np.asarray(1.0 / (1.0 + (self.uncertainty_db / TRUST_DB) ** 2))


def _end_tap(response: Response) -> int | None:
    """Where the response in the bass has sunk into noise."""
    lengths_s = response.bands.length_s[BASS]
    known = lengths_s[np.isfinite(lengths_s)]
    if not known.size:
        return None
    return int((LEAD_S + float(known.max())) * response.rate_hz)


def _uncertainty_db(response: Response) -> FloatArray:
    """Of the spectrum in each low band, one standard deviation.

    From the coherence and the count of independent values in the take, bandwidth times length
    (Bendat and Piersol, Random Data: random error of a transfer function). Not
    the uncertainty of the band level: that takes the noise from ahead of the arrival, and of a sub
    alone no arrival can be told.
    """
    count = (UPPER_HZ - LOWER_HZ)[LOW_BANDS] * response.overlap_s * max(response.used_ratio, 1e-3)
    coherence = np.clip(response.coherence[LOW_BANDS], 1e-9, 1.0)
    relative = np.sqrt((1.0 - coherence) / (2.0 * coherence * np.maximum(count, 1.0)))
    covered = response.bands.covered_ratio[LOW_BANDS] >= LEAST_COVERED
    return np.where(covered, relative * 20.0 / np.log(10.0), np.inf)


def _solo(take: Take, response: Response) -> Solo:
    return Solo(
        side=take.side,
        spot=take.spot,
        spectrum=low_spectrum(
            response.impulse,
            rate_hz=response.rate_hz,
            first_tap_s=response.first_tap_s,
            end_tap=_end_tap(response),
        ),
        uncertainty_db=_uncertainty_db(response),
        level_db=take.level_db,
    )


def _timed(takes: Sequence[Take]) -> dict[tuple[str, str], tuple[Take, Response]]:
    """Last usable take of each side at each spot that has a time base: how it stands now."""
    found: dict[tuple[str, str], tuple[Take, Response]] = {}
    for take in takes:
        response = take.response
        if take.usable and response is not None and np.isfinite(response.first_tap_s):
            found[take.side, take.spot] = (take, response)
    return found


def soloed(takes: Sequence[Take]) -> tuple[Solo, ...]:
    """Every side at every spot, from the last usable take of each that has a time base."""
    return tuple(_solo(take, response) for take, response in _timed(takes).values())


def no_take_alone(name: str) -> str:
    """Say that an element is to be heard by itself, up to where."""
    return f"No take of {name} alone is usable. Mute the rest and take it"


def no_shared_spot(name: str, where: str) -> str:
    """Say that an element is to be heard where the mains were."""
    return (
        f"No spot has a take of both, the mains alone and {name} alone. Leave the microphone "
        f"{where} and take the one that is missing."
    )


def why_not(mains: Sequence[Take], subs: Sequence[Take]) -> str:
    """Say what keeps these takes from being joined; empty if nothing does."""
    for name, takes in (("the mains", mains), ("the sub", subs)):
        if not any(take.usable and take.response is not None for take in takes):
            return f"{no_take_alone(name)} again."
        if not _timed(takes):
            return (
                f"Delays cannot be compared: the takes of {name} carry no reference channel. "
                f"{RECORD_TOGETHER}, then take mains and sub again."
            )
    if not {spot for _, spot in _timed(mains)} & {spot for _, spot in _timed(subs)}:
        return no_shared_spot("the sub", "where it is")
    return ""
