"""How well speech is understood at each spot, from the takes. Start at `speech_by_spot()`.

What the room leaves of speech comes from the response; how loud speech and noise are does not,
as takes have no absolute level: both are given or assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.intelligibility import impulse_modulation
from evenhall.acoustics.transfer import Response
from evenhall.acoustics.voice import (
    SPEECH_DB,
    a_weighted_db,
    octave_power,
    room_noise_db,
    speech_db,
)
from evenhall.hall.clarity import (
    MEASURED_DOUBT,
    USUAL_SPEECH_DBA,
    SpeechAt,
    clarity_text,
    speech_at,
)
from evenhall.hall.label import AtSpot
from evenhall.verdict.take import SpotResponse

__all__ = ["SpotSpeech", "speech_by_spot", "speech_texts", "spot_text"]

FloatArray = NDArray[np.float64]

# A response begins where it first stands out (ISO 3382-1), a little before the arrival's peak.
BEFORE_S = 0.001


@dataclass(frozen=True, kw_only=True)
class SpotSpeech(AtSpot):
    """Speech from one loudspeaker at one spot.

    Parameters
    ----------
    speech : SpeechAt
        `sti` is nan where noise in the take hides an octave.
    """

    speech: SpeechAt


@lru_cache(maxsize=64)  # asked again with every take that joins a visit
def _modulation(response: Response | None) -> FloatArray:
    if response is None:
        return np.full((14, 7), np.nan)
    known = np.isfinite(response.arrival_s)
    return impulse_modulation(
        response.impulse,
        rate_hz=response.rate_hz,
        arrival_index=max(0, round((response.arrival_s - BEFORE_S) * response.rate_hz))
        if known
        else None,
    )


def speech_by_spot(
    spots: Sequence[SpotResponse],
    *,
    last_alone: bool = False,
    speech_dba: float = USUAL_SPEECH_DBA,
    noise_db_spl: ArrayLike | None = None,
) -> tuple[SpotSpeech, ...]:
    """Index at each spot for each main loudspeaker by itself, from front to back.

    Parameters
    ----------
    spots : sequence of SpotResponse
        From `spot_responses`; subs, delays and monitors are passed over.
    last_alone : bool
        Only the farthest spot of each loudspeaker, where speech is understood worst.
    speech_dba : float
        Mean level of speech over the spots, dB(A); each spot hears it louder or softer, and in
        such a tone, as the takes have it.
    noise_db_spl : array_like, shape (7,), optional
        Noise in the octaves from 125 Hz to 8 kHz when the hall is in use; else a quiet hall's,
        35 dB(A).
    """
    mains = [spot for spot in spots if spot.element.is_main]
    if not mains:
        return ()
    noise = room_noise_db() if noise_db_spl is None else np.asarray(noise_db_spl, dtype=np.float64)
    power = octave_power(np.stack([spot.level_db for spot in mains]))
    # An octave without a level carries nothing that could be counted on.
    shape_db = 10.0 * np.log10(np.where(np.isfinite(power), np.maximum(power, 1e-30), 1e-30))
    level_dba = a_weighted_db(SPEECH_DB + shape_db)
    farthest = {spot.side: k for k, spot in enumerate(mains)}.values()
    wanted = farthest if last_alone else range(len(mains))
    levels = speech_db(speech_dba + level_dba - level_dba.mean(), shape_db=shape_db)
    return tuple(
        SpotSpeech(
            side=mains[k].side,
            spot=mains[k].spot,
            speech=speech_at(
                np.mean([_modulation(take.response) for take in mains[k].takes], axis=0),
                speech_db_spl=levels[k],
                noise_db_spl=noise,
            ),
        )
        for k in wanted
    )


def spot_text(spot: SpotSpeech) -> str:
    """Say it for one loudspeaker at one spot."""
    where = f"At {spot.spot}, from the {spot.side} loudspeaker alone,"
    return clarity_text(where, spot.speech, doubt=MEASURED_DOUBT)


def speech_texts(spots: Sequence[SpotSpeech]) -> tuple[str, ...]:
    """Say it for each spot by its worse side, then what was assumed."""
    texts = []
    for name in dict.fromkeys(spot.spot for spot in spots):
        here = [spot for spot in spots if spot.spot == name]
        known = [spot for spot in here if np.isfinite(spot.speech.sti)]
        if not known:
            texts.append(
                f"Play longer at {name}: noise hides an octave there, so the speech index is "
                "unknown."
            )
            continue
        worse = min(known, key=lambda spot: spot.speech.sti)
        texts.append(spot_text(worse))
    if texts:
        noise_dba = spots[0].speech.noise_dba
        texts.append(
            f"Assuming {noise_dba:.0f} dB(A) of background noise, in the hall as it was at the "
            "take. An audience brings noise and takes reverberation away."
        )
    return tuple(texts)
