"""Where a microphone on stage would ring, from a take at its place, and what the card does to it.

    ringing_at()        each take on stage, with the card of its side
    likely_ringing()    bands by the highest peak that the loop gain has in them
    ringing_texts()     the same in sentences

The response at the microphone's place is the loop but for the microphone itself and the mixer's
gain. Sound returns in phase at many frequencies close together, so the highest peak of the
magnitude rings first. Which peak it is changes with every step of the microphone; which band, far
less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import (
    BAND_COUNT,
    EXACT_HZ,
    LOWER_HZ,
    NOMINAL_HZ,
    UPPER_HZ,
)
from evenhall.acoustics.transfer import Response
from evenhall.equalizer.graphic import band_gain_db
from evenhall.hall.label import AtSpot, for_side
from evenhall.verdict.card.faders import Card
from evenhall.verdict.take import ALIGN_BANDS, Take
from evenhall.words import hz_listed, hz_text

__all__ = [
    "PlaceRinging",
    "Ringing",
    "RingingBand",
    "likely_ringing",
    "ringing_at",
    "ringing_texts",
]

FloatArray = NDArray[np.float64]

# Below, a low cut is usual on a talker's channel; above, microphones and people damp it.
LOWEST_HZ, HIGHEST_HZ = 100.0, 8000.0
SAID_COUNT = 3
NOTABLE_DB = 0.5


@dataclass(frozen=True)
class RingingBand:
    """A third octave in which it may ring.

    Parameters
    ----------
    band_hz : float
        Nominal mid-band.
    peak_hz : float
        Of the highest peak in it.
    over_db : float
        How far that peak lies over the mean of the response from 200 Hz to 4 kHz.
    above_band_db : float
        How far it lies over its own band.
    card_db : float
        What the card does there, re its own mean over 200 Hz to 4 kHz; 0 without a card.
    """

    band_hz: float
    peak_hz: float
    over_db: float
    above_band_db: float
    card_db: float


@dataclass(frozen=True)
class Ringing:
    """Bands by how soon they ring.

    Parameters
    ----------
    bands : tuple of RingingBand
        The first to ring first, the card not counted.
    first_with_card_hz : float
        Band that rings first once the card is set; nan where nothing is known.
    card_gain_db : float
        How much more (or, negative, less) gain the card leaves before it rings, at the same
        loudness of 200 Hz to 4 kHz: what is turned up again for its cuts is in it. 0 without a
        card.
    card_alone_db : float
        The same with nothing turned up again.
    """

    bands: tuple[RingingBand, ...]
    first_with_card_hz: float
    card_gain_db: float
    card_alone_db: float = 0.0


def likely_ringing(response: Response, *, card_gain_db: FloatArray | None = None) -> Ringing:
    """Find the bands that ring first at the place of a take.

    Parameters
    ----------
    response : Response
        Of one loudspeaker, the microphone where the talker's will stand.
    card_gain_db : ndarray, shape (31,), optional
        What the card does to each band; it must not have been set during the take.

    Returns
    -------
    Ringing
        Without bands where none from 100 Hz to 8 kHz is usable.

    References
    ----------
    The peaks of a response in a room lie some 10 dB over its mean: Schroeder, Acustica 4 (1954)
    594, from memory.
    """
    levels = response.bands
    usable = levels.usable & np.isfinite(levels.level_db)
    asked = usable & (EXACT_HZ > LOWEST_HZ * 0.99) & (EXACT_HZ < HIGHEST_HZ * 1.01)
    mean_of = usable & ALIGN_BANDS
    if not (asked.any() and mean_of.any()):
        return Ringing((), float("nan"), 0.0)
    card_db = np.zeros(BAND_COUNT) if card_gain_db is None else np.asarray(card_gain_db)
    card_mean_db = float(card_db[mean_of].mean())
    card_db = card_db - card_mean_db
    mean_db = float(levels.level_db[mean_of].mean())
    n_fft = fft.next_fast_len(response.impulse.size, real=True)
    spectrum = fft.rfft(response.impulse, n_fft)
    power = np.maximum(spectrum.real**2 + spectrum.imag**2, 1e-30)
    spacing_hz = response.rate_hz / n_fft
    found = []
    for band in np.flatnonzero(asked):
        first, last = np.searchsorted(
            np.arange(power.size) * spacing_hz, [LOWER_HZ[band], UPPER_HZ[band]]
        )
        if last <= first:
            continue
        peak = int(first + np.argmax(power[first:last]))
        peak_db = 10.0 * float(np.log10(power[peak]))
        found.append(
            RingingBand(
                band_hz=float(NOMINAL_HZ[band]),
                peak_hz=peak * spacing_hz,
                over_db=peak_db - mean_db,
                above_band_db=peak_db - float(levels.level_db[band]),
                card_db=float(card_db[band]),
            )
        )
    if not found:
        return Ringing((), float("nan"), 0.0)
    found.sort(key=lambda band: -band.over_db)
    with_card = max(found, key=lambda band: band.over_db + band.card_db)
    gain_db = found[0].over_db - (with_card.over_db + with_card.card_db)
    return Ringing(
        bands=tuple(found),
        first_with_card_hz=with_card.band_hz,
        card_gain_db=gain_db,
        card_alone_db=gain_db - card_mean_db,
    )


@dataclass(frozen=True, kw_only=True)
class PlaceRinging(AtSpot):
    """What one loudspeaker would ring with at one place on stage.

    `raised` is the fader, in Hz and dB, that lifts what rings first with the card; None where
    none does.
    """

    ringing: Ringing
    raised: tuple[float, float] | None


def ringing_at(takes: Sequence[Take], card: Card | None) -> tuple[PlaceRinging, ...]:
    """Find it for each usable take that was made on stage; others are passed over."""
    found = []
    for take in takes:
        if take.at != "stage" or take.state != "before" or not take.usable or not take.response:
            continue
        gain_db = None if card is None else card.gain_db(take.side)
        ringing = likely_ringing(take.response, card_gain_db=gain_db)
        raised = None
        if card is not None and ringing.bands:
            raised = _raised_fader(card, take.side, ringing.first_with_card_hz)
        found.append(PlaceRinging(side=take.side, spot=take.spot, ringing=ringing, raised=raised))
    return tuple(found)


def _raised_fader(card: Card, side: str, band_hz: float) -> tuple[float, float] | None:
    """Find the fader above 0 that lifts a band most, by itself."""
    solution = for_side(card.solutions, side)
    if solution is None:
        return None
    unit = card.unit_of(side)
    (band,) = np.flatnonzero(band_hz == NOMINAL_HZ)
    up_db = np.maximum(solution.fader_db, 0.0)
    lifts_db = [float(band_gain_db(unit, alone)[band]) for alone in np.diag(up_db)]
    most = int(np.argmax(lifts_db))
    if lifts_db[most] < NOTABLE_DB:
        return None
    return float(unit.nominal_hz[most]), float(up_db[most])


def ringing_texts(
    ringing: Ringing, *, with_card: bool, raised: tuple[float, float] | None = None
) -> tuple[str, ...]:
    """Say where it rings first, and whether the card helps or hurts.

    Parameters
    ----------
    with_card : bool
        Whether a card was given.
    raised : tuple of (float, float), optional
        As `PlaceRinging` has it.
    """
    if not ringing.bands:
        return ("Take it on stage again: no band is usable to say where it would ring.",)
    first = ringing.bands[:SAID_COUNT]
    peak = hz_text(float(f"{first[0].peak_hz:.2g}"))
    then = f", then around {hz_listed([band.band_hz for band in first[1:]])}" if first[1:] else ""
    texts = [
        f"This mic rings first near {peak}{then}. Pull {'those' if then else 'that'} on its own "
        f"channel first. The highest peak is {first[0].over_db:.0f} dB above the average, and "
        "shifts as the mic moves."
    ]
    if not with_card:
        return tuple(texts)
    gain_db = ringing.card_gain_db
    if abs(gain_db) < NOTABLE_DB:
        texts.append("The card makes no difference there.")
        return tuple(texts)
    band = first[0]
    card_mean_db = gain_db - ringing.card_alone_db
    if gain_db > 0.0:
        does_db = band.card_db + card_mean_db
        cuts = does_db < 0.0
        does = f"takes {-does_db:.1f} dB off" if cuts else "raises the rest more than"
        texts.append(
            f"The card helps: it {does} {hz_text(band.band_hz)} and gives {gain_db:.1f} dB more "
            f"gain before it rings, at the same loudness. Then {_next(ringing)}."
        )
        return tuple(texts)
    hurt = next(b for b in ringing.bands if b.band_hz == ringing.first_with_card_hz)
    # What is turned up again for the card's cuts is not the card's doing.
    less_db = min(-gain_db, -ringing.card_alone_db)
    if less_db < NOTABLE_DB:
        texts.append(
            f"Cut {hz_text(hurt.band_hz)} on the talker's own channel. The card itself makes "
            f"nothing ring sooner, but once its {-card_mean_db:.1f} dB are made up, that rings "
            f"first, with {-gain_db:.1f} dB less gain than without it."
        )
        return tuple(texts)
    what = f"it lifts {hz_text(hurt.band_hz)} by {hurt.card_db + card_mean_db:.1f} dB"
    cure = "Cut there on the talker's own channel"
    if raised is not None:
        what = f"its {hz_text(raised[0])} fader is raised by {raised[1]:g} dB"
        cure += ", or leave that fader down"
    texts.append(
        f"The card hurts: {what} and leaves {less_db:.1f} dB less gain before it rings. {cure}."
    )
    return tuple(texts)


def _next(ringing: Ringing) -> str:
    if ringing.first_with_card_hz == ringing.bands[0].band_hz:
        return "it still rings there first"
    return f"{hz_text(ringing.first_with_card_hz)} rings first"
