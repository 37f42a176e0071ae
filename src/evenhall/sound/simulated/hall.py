"""The simulated hall: takes with a known truth, where no hall, device or file is at hand.

A `SimulatedHall` holds elements, room, equalizer, microphone and spots. `take()` gives what a
recorder would have; `true_response()` what a perfect measurement would make of it; `walk()` a take
of a microphone that is carried through the hall, and `walking()` the way itself. Everything follows
from the arguments: the same ones give the same samples.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.level import amplitude_from_db
from evenhall.acoustics.windows import stretch
from evenhall.equalizer.graphic import GraphicUnit, unit_response
from evenhall.sound.simulated.box import Element, with_surface
from evenhall.sound.simulated.recorder import Microphone, Noise, Recorder
from evenhall.sound.simulated.room import Room, even_fast_length, room_response
from evenhall.sound.simulated.unit import LyingUnit
from evenhall.sound.simulated.walking import Source, Walk

__all__ = ["SimulatedHall", "convolve"]

FloatArray = NDArray[np.float64]
Real = TypeVar("Real", np.float32, np.float64)

# The bass of box and equalizer rings on after the room: this long until it has died away.
RING_S = 0.4
CLUTTER = 0.9  # pressure that stacked chairs send back in the bass, of what they get
CLUTTER_BREAKS_UP_HZ = 400.0


def _unit_response(
    unit: GraphicUnit | LyingUnit, fader_db: ArrayLike, freq_hz: FloatArray
) -> NDArray[np.complex128]:
    if isinstance(unit, LyingUnit):
        # 0 Hz is no ratio of a centre; nothing is heard there.
        return unit.response(fader_db, np.maximum(freq_hz, 1e-3))
    return unit_response(unit, fader_db, freq_hz)


@dataclass(frozen=True)
class SimulatedHall:
    """A hall with a rig in it.

    Parameters
    ----------
    elements : mapping of str to Element
        Loudspeakers by name: ``"left"``, ``"right"`` ...
    spots : mapping of str to tuple of float
        Where the microphone stands: down the room from the front wall, across from the left
        wall, up, in metres.
    unit : GraphicUnit or LyingUnit, optional
        The graphic equalizer that all elements are fed through; none without.
    faders : mapping of str to array_like
        Fader positions in dB of the elements named; flat for others.
    clutter_behind_m : mapping of str to float
        How far behind the microphone stands something that throws the bass back and breaks up
        the treble (stacked chairs), at the spots named.
    near_m : mapping of str to tuple of float
        Where the microphone stood before, at spots where it was put back.
    """

    room: Room
    elements: Mapping[str, Element]
    spots: Mapping[str, tuple[float, float, float]]
    microphone: Microphone = field(default_factory=Microphone)
    unit: GraphicUnit | LyingUnit | None = None
    faders: Mapping[str, ArrayLike] = field(default_factory=dict)
    clutter_behind_m: Mapping[str, float] = field(default_factory=dict)
    near_m: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)

    def with_faders(self, faders: Mapping[str, ArrayLike]) -> SimulatedHall:
        """Give the same hall with the equalizer set anew."""
        return replace(self, faders=faders)

    def distance_m(self, element: str, spot: str) -> float:
        """Give the distance from an element to a spot."""
        return math.dist(self.elements[element].position_m, self.spots[spot])

    def true_response(
        self,
        elements: str | Sequence[str],
        spot: str,
        *,
        rate_hz: float,
        recorder: Recorder | None = None,
        microphone: bool = True,
    ) -> FloatArray:
        """Give the impulse response from the reference to the microphone channel.

        Parameters
        ----------
        elements : str or sequence of str
            Several play the same.
        recorder : Recorder, optional
            Its gains and latency are part of what a measurement finds.
        microphone : bool
            False leaves out its deviation, as its calibration file does.

        Returns
        -------
        ndarray, shape (n_samples,)
            From the moment of emission.
        """
        if not isinstance(elements, str):
            found = [
                self.true_response(
                    one, spot, rate_hz=rate_hz, recorder=recorder, microphone=microphone
                )
                for one in elements
            ]
            length = max(one.size for one in found)
            return np.asarray(np.sum([stretch(one, 0, length) for one in found], axis=0))
        source = self.elements[elements]
        room = room_response(
            self.room,
            source.position_m,
            self.spots[spot],
            rate_hz=rate_hz,
            off_axis_db=source.off_axis_db,
            near_m=self.near_m.get(spot),
        )
        late = source.delay_s * rate_hz + (recorder.latency_samples if recorder else 0)
        n_samples = room.size + math.ceil(RING_S * rate_hz + late)
        n_fft = even_fast_length(n_samples)
        freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
        spectrum = scipy.fft.rfft(room, n_fft) * self._rig_response(elements, freq_hz)
        if spot in self.clutter_behind_m:
            strength = CLUTTER / (1.0 + (freq_hz / CLUTTER_BREAKS_UP_HZ) ** 2)
            spectrum *= with_surface(freq_hz, self.clutter_behind_m[spot], strength)
        if microphone:
            spectrum *= self.microphone.response(freq_hz)
        if recorder is not None:
            spectrum *= amplitude_from_db(recorder.gain_db - recorder.reference_gain_db)
            spectrum *= np.exp(-2j * np.pi * freq_hz * recorder.latency_samples / rate_hz)
        return np.asarray(scipy.fft.irfft(spectrum, n_fft)[:n_samples])

    def source(self, element: str, *, rate_hz: float) -> Source:
        """Give an element for a `Walk`, its equalizer and the microphone's deviation included."""
        there = self.elements[element]
        n_samples = math.ceil((RING_S + there.delay_s) * rate_hz)
        n_fft = even_fast_length(n_samples)
        freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
        spectrum = self._rig_response(element, freq_hz) * self.microphone.response(freq_hz)
        impulse = scipy.fft.irfft(spectrum, n_fft)[:n_samples]
        return Source(there.position_m, there.off_axis_db, impulse)

    def _rig_response(self, element: str, freq_hz: FloatArray) -> NDArray[np.complex128]:
        """Response of an element, and of the equalizer before it."""
        response = self.elements[element].response(freq_hz)
        if self.unit is not None and element in self.faders:
            response = response * _unit_response(self.unit, self.faders[element], freq_hz)
        return response

    def take(  # noqa: PLR0913 - all that a recording depends on
        self,
        elements: str | Sequence[str],
        spot: str,
        stimulus: FloatArray,
        *,
        rate_hz: float,
        seed: int,
        recorder: Recorder | None = None,
        noise: Noise | None = None,
        starts_s: float = -0.5,
        length_s: float | None = None,
    ) -> tuple[FloatArray, float]:
        """Record an element, or several that play the same, at one spot.

        Parameters
        ----------
        stimulus : ndarray, shape (n_samples,)
            What is played, full scale = 1.0.
        rate_hz : float
            Of the player.
        seed : int
            Of the noise.
        recorder : Recorder, optional
            A faultless one without.
        noise : Noise, optional
            That of a quiet hall without.
        starts_s : float
            When the recording starts, from the start of the stimulus; negative = before it.
        length_s : float, optional
            Of the recording, by the player's clock; until half a second after the stimulus
            without.

        Returns
        -------
        samples : ndarray, shape (n_recorded, 1 or 2)
            Microphone, and reference if the recorder takes it.
        rate_hz : float
            Of the recording.
        """
        heard = convolve(stimulus, self.true_response(elements, spot, rate_hz=rate_hz))
        return _recorded(heard, stimulus, rate_hz, seed, recorder, noise, starts_s, length_s)

    def walking(
        self,
        elements: str | Sequence[str],
        time_s: ArrayLike,
        place_m: ArrayLike,
        *,
        rate_hz: float,
    ) -> Walk:
        """Give the way of a microphone through the hall, while elements play the same.

        Parameters
        ----------
        elements : str or sequence of str
        time_s : ndarray, shape (n,)
            Rising, from the start of what is played; the microphone stands before and after.
        place_m : ndarray, shape (n, 3)
            As spots are given; straight lines between. Clutter belongs to spots, and is not here.
        """
        names = [elements] if isinstance(elements, str) else elements
        sources = [self.source(name, rate_hz=rate_hz) for name in names]
        return Walk(self.room, sources, time_s, place_m, rate_hz=rate_hz)

    def walk(  # noqa: PLR0913 - all that a recording depends on
        self,
        elements: str | Sequence[str],
        time_s: ArrayLike,
        place_m: ArrayLike,
        stimulus: FloatArray,
        *,
        rate_hz: float,
        seed: int,
        recorder: Recorder | None = None,
        noise: Noise | None = None,
        starts_s: float = -0.5,
        length_s: float | None = None,
    ) -> tuple[FloatArray, float]:
        """Record while the microphone is carried, see `walking()`; the rest as in `take()`."""
        way = self.walking(elements, time_s, place_m, rate_hz=rate_hz)
        heard = np.concatenate(list(way.heard(stimulus))).astype(np.float64)
        return _recorded(heard, stimulus, rate_hz, seed, recorder, noise, starts_s, length_s)


def _recorded(
    heard: FloatArray,
    stimulus: FloatArray,
    rate_hz: float,
    seed: int,
    recorder: Recorder | None,
    noise: Noise | None,
    starts_s: float,
    length_s: float | None,
) -> tuple[FloatArray, float]:
    start = round(starts_s * rate_hz)
    length = stimulus.size + round(0.5 * rate_hz) - start
    if length_s is not None:
        length = round(length_s * rate_hz)
    return (recorder or Recorder()).record(
        stretch(heard, start, length),
        stretch(stimulus, start, length),
        rate_hz=rate_hz,
        noise=noise or Noise(),
        rng=np.random.default_rng(seed),
    )


def convolve(signal: NDArray[Real], impulse: NDArray[Real]) -> NDArray[Real]:
    """Convolve the whole of both, by one transform."""
    n_samples = signal.size + impulse.size - 1
    n_fft = scipy.fft.next_fast_len(n_samples, real=True)
    product = scipy.fft.rfft(signal, n_fft) * scipy.fft.rfft(impulse, n_fft)
    return np.asarray(scipy.fft.irfft(product, n_fft)[:n_samples])
