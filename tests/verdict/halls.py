"""Takes of pairs in random simulated halls, whole or with faults before the boxes.

draw(seed)            a hall, its pair, and every response that is wanted
takes_of(hall, ...)   takes of both sides, with filters before the boxes
low_cut(), drivers(), gain(), inverted   such filters, from their closed forms

Sides are heard from their `own` spots, as `evenhall hall` puts them and a hand's breadth off, or
both from the left one's (`shared`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenhall.acoustics.arrival import first_arrival
from evenhall.acoustics.bands import EXACT_HZ, log_frequency_mean
from evenhall.hall.seats import usual_pair
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.spots import usual_spots
from evenhall.sound.simulated import Box, Element, Peak, SimulatedHall
from evenhall.sound.simulated import Room as SimulatedRoom
from evenhall.verdict.move import Stage
from verdict.builders import take

RATE_HZ = 32_000.0
SIDES = ("left", "right")
SPOTS = ("front", "middle", "back")
QUIET_S = 0.05  # ahead of the emission, so that an arrival has a before


@dataclass(frozen=True)
class Drawn:
    """A hall, and the spectra from each box to each microphone place."""

    stage: Stage
    box: Box
    spectra: dict
    metres: dict
    floor_db: float
    n_samples: int


def draw(seed):
    """One hall and its responses."""
    rng = np.random.default_rng([41, seed])
    length, width, height = rng.uniform(10, 24), rng.uniform(6, 14), rng.uniform(3.2, 6.5)
    usual_s = 0.05 * (length * width * height) ** (1 / 3)
    rt60_s = float(np.clip(usual_s * rng.uniform(1.2, 3.0), 0.4, 2.0))
    people = Audience(rng.uniform(1.5, 3.0), length - 1.0 - rng.uniform(1.0, 3.0))
    speaker = Loudspeaker(
        min(rng.uniform(1.5, 2.6), height - 0.8), float(rng.integers(0, 6)),
        float(rng.choice([80.0, 90.0, 100.0])), float(rng.choice([40.0, 50.0, 60.0])),
        inwards_deg=float(rng.integers(0, 15)),
    )  # fmt: skip
    room = Room(length, width, height, rt60_s=rt60_s)
    pair = usual_pair(speaker, room, people)
    slope = rng.uniform(0.9, 1.5), rng.uniform(0.6, 0.95)  # of the decay: bass longer
    decay = rt60_s * np.interp(np.arange(8), [0, 3, 4, 7], [slope[0], 1.0, 1.0, slope[1]])
    box = Box(
        speaker.coverage_h_deg,
        speaker.coverage_v_deg,
        low_limit_hz=rng.uniform(40.0, 80.0),
        crossover_hz=rng.uniform(1200.0, 3000.0),
        peaks=tuple(
            Peak(float(np.exp(rng.uniform(np.log(150), np.log(6e3)))), rng.uniform(-6, 6), 2.0)
            for _ in range(3)
        ),
    )
    elements = {
        one.name: Element(
            box, (one.along_m, one.across_m, one.height_m), one.down_deg, one.turn_deg
        )
        for one in pair
    }
    places = {
        f"{one.name} {spot.label}": (
            one.along_m + spot.along_m + rng.uniform(-0.15, 0.15),
            one.across_m + rng.uniform(-0.3, 0.3),
            people.ear_height_m,
        )
        for one in pair
        for spot in usual_spots(people)
    }
    hall = SimulatedHall(
        SimulatedRoom(length, width, height, tuple(decay), seed=seed), elements, places
    )
    n_samples = int((QUIET_S + 1.0 + 2.4) * RATE_HZ)
    spectra, metres = {}, {}
    for side in SIDES:
        for place in places:
            if place.split()[0] not in (side, "left"):
                continue
            impulse = hall.true_response(side, place, rate_hz=RATE_HZ, microphone=False)
            spectra[side, place] = np.fft.rfft(impulse[:n_samples], n_samples)
            metres[side, place] = hall.distance_m(side, place)
    stage = Stage(room, people, speaker, None)
    return Drawn(stage, box, spectra, metres, rng.uniform(28.0, 45.0), n_samples)


def low_cut(cut_hz, order):
    """Butterworth high-pass of second or third order, as an analog filter."""

    def response(freq_hz):
        s = 1j * freq_hz / cut_hz
        if order == 2:
            return s**2 / (s**2 + np.sqrt(2.0) * s + 1.0)
        return s**3 / ((s + 1.0) * (s**2 + s + 1.0))

    return response


def drivers(box, *, low, high):
    """Fourth-order crossover with each driver as loud as said, re the sound one."""

    def response(freq_hz):
        x = 1j * freq_hz / box.crossover_hz
        return (low + high * x**4) / (1.0 + x**4)

    return response


def gain(gain_db):
    """Give another level."""
    return lambda freq_hz: np.full(freq_hz.shape, 10.0 ** (gain_db / 20.0))


def inverted(freq_hz):
    """Give the other way up."""
    return np.full(freq_hz.shape, -1.0)


def takes_of(drawn, layout, faults):
    """Give takes of both sides before the work, with the filters of `faults` by side."""
    freq_hz = np.fft.rfftfreq(drawn.n_samples, 1.0 / RATE_HZ)
    early = np.exp(-2j * np.pi * freq_hz * QUIET_S)
    takes = []
    for side in SIDES:
        for spot in SPOTS:
            place = f"{side if layout == 'own' else 'left'} {spot}"
            spectrum = drawn.spectra[side, place] * early
            for fault in faults.get(side, ()):
                spectrum = spectrum * np.where(freq_hz > 0.0, fault(np.maximum(freq_hz, 1e-3)), 0.0)
            power = np.abs(spectrum) ** 2
            spacing_hz = RATE_HZ / drawn.n_samples
            level_db = 10 * np.log10(log_frequency_mean(power, spacing_hz=spacing_hz) + 1e-30)
            level_db[EXACT_HZ > 0.36 * RATE_HZ] = np.nan
            level_db[level_db < np.nanmax(level_db[10:24]) - drawn.floor_db] = np.nan
            impulse = np.fft.irfft(spectrum, drawn.n_samples)
            known = np.flatnonzero(np.isfinite(level_db))
            high_hz = float(min(EXACT_HZ[known[-1]] * 1.12, 0.45 * RATE_HZ))
            arrival = first_arrival(
                impulse + 1e-6 * np.random.default_rng(0).standard_normal(impulse.size),
                rate_hz=RATE_HZ,
                low_hz=float(EXACT_HZ[known[0]]),
                high_hz=high_hz,
                known_hz=high_hz,
                quiet=int(0.9 * QUIET_S * RATE_HZ),
            )
            takes.append(
                take(
                    level_db,
                    side=side,
                    spot=spot,
                    distance_m=drawn.metres[side, place],
                    uncertainty_db=0.2,
                    polarity=arrival.polarity,
                    impulse=impulse,
                    rate_hz=RATE_HZ,
                    arrival_s=arrival.tap / RATE_HZ,
                    first_tap_s=-QUIET_S,
                )
            )
    return takes
