"""Listen while a hand sets the faders, and say what is left to do. Start at `follow_faders()`.

A soft, repeating noise plays; what comes in is cut into rounds of a fifth of a second, each tells
the gain (`acoustics/periodic.py`), the gains tell the faders (`equalizer/following.py`), and
these what to say (`verdict/proof/guiding.py`). `Listener` is that chain without a device.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import FULL_SCALE
from evenhall.acoustics.periodic import (
    bands_of,
    line_power,
    periodic_pink,
    quiet_power,
    round_gain,
)
from evenhall.equalizer.following import Followed, at_rest, begin, follow, found, start_doubt_db
from evenhall.equalizer.graphic import GraphicUnit, unit_gain_db
from evenhall.equalizer.sections import Section, sections_gain_db
from evenhall.errors import DeviceError, InputError
from evenhall.hall.label import for_side
from evenhall.job.live.watch import Guided, Said, Watch
from evenhall.job.tune.result import Result
from evenhall.sound.live.capture import capture
from evenhall.sound.live.open_devices import RAMP_S, OpenDevices
from evenhall.verdict.proof.guiding import AIR_WITHIN_DB, CABLE_WITHIN_DB, Guidance, guide

__all__ = [
    "LEVEL_DBFS",
    "ROUND_S",
    "FaderOrder",
    "Listener",
    "follow_faders",
    "strip_of",
]

FloatArray = NDArray[np.float64]

# 12 dB softer than a take: it is heard for minutes, by somebody who works.
LEVEL_DBFS = -32.0
ROUND_S = 0.2
QUIET_ROUNDS = 10
# What the microphone hears before a hand moves: all later figures are held against it.
BEFORE_ROUNDS = {"air": 15, "cable": 5}
# The ramp, the device's own delay, and the room filling with sound.
SKIP_S = RAMP_S + 1.0
# One stretch of sound, within what any sound may last; then it comes up anew from quiet.
STRETCH_S = 120.0
LONGEST_S = 900.0
# With fewer of its bands above the noise there is nothing to go by.
LEAST_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class FaderOrder:
    """What is to be followed.

    Parameters
    ----------
    wanted_db, start_db : ndarray, shape (n_faders,)
        The card, and where the faders stand now; a cable finds the latter by itself.
    by_cable : bool
        Whether the input is the unit's own output, and no microphone.
    low_hz, high_hz : float
        Band that is played.
    level_dbfs : float
        RMS level.
    goes_on : bool
        Whether to go on to the next fader when one stands.
    strip : tuple of Section
        What the channel strip before the unit is set to: a cable hears it too.
    """

    unit: GraphicUnit
    wanted_db: FloatArray
    start_db: FloatArray
    by_cable: bool
    low_hz: float
    high_hz: float
    level_dbfs: float = LEVEL_DBFS
    goes_on: bool = True
    strip: tuple[Section, ...] = ()


class Listener:
    """From rounds of sound to guidance; holds what is believed between them.

    Parameters
    ----------
    quiet : ndarray, shape (n_frames,)
        The input while nothing plays, one round at least.
    """

    def __init__(
        self, order: FaderOrder, *, rate_hz: float, quiet: NDArray[np.floating[Any]]
    ) -> None:
        self.order = order
        self.round_frames = round(ROUND_S * rate_hz)
        self._bands = bands_of(
            self.round_frames, rate_hz=rate_hz, low_hz=order.low_hz, high_hz=order.high_hz
        )
        self.one_round = periodic_pink(
            self.round_frames,
            rate_hz=rate_hz,
            seed=1,
            level_dbfs=order.level_dbfs,
            low_hz=order.low_hz,
            high_hz=order.high_hz,
        )
        whole = quiet.size // self.round_frames * self.round_frames
        self._noise = quiet_power(quiet[:whole].reshape(-1, self.round_frames), self._bands)
        self._before: list[FloatArray] = []
        self._reference: FloatArray | None = None
        self._start_db: FloatArray | float = 0.0
        self._doubt_db = np.zeros(order.unit.fader_count)
        self._followed: Followed | None = None
        self._guidance: Guidance | None = None

    @property
    def ready(self) -> bool:
        """Whether the sound before the hand began is known."""
        return self._reference is not None

    @property
    def fader_db(self) -> FloatArray:
        """Where the faders are believed to stand, shape (n_faders,)."""
        return self.order.start_db if self._followed is None else self._followed.fader_db

    def hear(self, one_round: NDArray[np.floating[Any]]) -> Guidance | None:
        """Take in one round; gives guidance once the sound before the hand began is known.

        Raises
        ------
        DeviceError
            Nothing to go by comes in, or it clips.
        """
        heard = line_power(one_round, self._bands)
        if self._reference is None:
            if np.abs(one_round).max() >= FULL_SCALE:
                raise DeviceError(
                    f"{self._input} clips. Turn its gain down 10 dB, and begin again."
                )
            self._before.append(heard)
            if len(self._before) == BEFORE_ROUNDS["cable" if self.order.by_cable else "air"]:
                self._begin()
            return None
        assert self._followed is not None
        self._followed = self._one_more(self._followed, heard)
        self._guidance = guide(
            self._followed,
            self.order.wanted_db,
            within_db=CABLE_WITHIN_DB if self.order.by_cable else AIR_WITHIN_DB,
            doubt_db=self._doubt_db,
            goes_on=self.order.goes_on,
            before=self._guidance,
        )
        return self._guidance

    @property
    def _input(self) -> str:
        return "The cable's input" if self.order.by_cable else "The microphone's input"

    def _begin(self) -> None:
        order, before = self.order, np.asarray(np.mean(self._before, axis=0))
        sent = line_power(self.one_round, self._bands)
        told = round_gain(before, sent, self._noise, self._bands)
        if np.mean(np.isfinite(told.gain_db)) < LEAST_SHARE:
            raise DeviceError(
                f"{self._input} gets too little of the noise to tell the faders. Check the cable "
                "and the mutes, get the room quiet or the system up with care, and begin again."
            )
        if order.by_cable:
            self._reference = sent
            self._start_db = -sections_gain_db(order.strip, told.freq_hz)
            followed = found(
                order.unit,
                told.freq_hz,
                told.gain_db + self._start_db,
                told.uncertainty_db / np.sqrt(len(self._before)),
            )
        else:
            # What noise buries tells nothing; the smallest share keeps its gain a number.
            self._reference = np.maximum(before - self._noise, 1e-3 * before)
            freq_hz = round_gain(before, self._reference, self._noise, self._bands).freq_hz
            self._start_db = unit_gain_db(order.unit, order.start_db, freq_hz)
            followed = begin(order.unit, order.start_db, fader_sigma_db=0.1, level_sigma_db=0.3)
        self._doubt_db = start_doubt_db(
            followed, told.freq_hz, told.uncertainty_db / np.sqrt(len(self._before))
        )
        self._followed = at_rest(followed)

    def _one_more(self, followed: Followed, heard: FloatArray) -> Followed:
        assert self._reference is not None
        told = round_gain(heard, self._reference, self._noise, self._bands)
        return follow(
            followed,
            told.freq_hz,
            told.gain_db + self._start_db,
            told.uncertainty_db,
            elapsed_s=ROUND_S,
        )


def strip_of(result: Result, side: str) -> tuple[Section, ...]:
    """Give the sections that a result has the channel strip of a side set to."""
    return tuple(
        Section(one.kind, one.hz, one.gain_db, one.q) for one in for_side(result.strip, side) or ()
    )


def _stood(
    order: FaderOrder, before: Guidance | None, guidance: Guidance
) -> tuple[tuple[float, float], ...]:
    """Give the faders that came to stand from one guidance to the next, and where."""
    new_hz = [hz for hz in before.left_hz if hz not in guidance.left_hz] if before else []
    return tuple((hz, float(order.wanted_db[order.unit.nominal_hz == hz][0])) for hz in new_hz)


def follow_faders(live: OpenDevices, order: FaderOrder, *, watch: Watch) -> Guidance | None:
    """Play softly and follow the hand, until all faders stand or the person stops.

    Parameters
    ----------
    live : OpenDevices
        Open devices; the input that is followed is that of the microphone in their setup.

    Returns
    -------
    Guidance or None
        The last one; None where it was stopped before there was one.

    Raises
    ------
    InputError
        Nothing is played by these devices, or the level would pass the ceiling.
    DeviceError
        The device is gone, the input went dead, or hears too little.
    """
    if not live.setup.plays:
        raise InputError(
            "Choose --reference inside, with the output into the mixer: now the mixer plays by "
            "itself, and its noise does not repeat, so that no fader can be followed."
        )
    watch.tell(
        Said("Listening to the room: quiet, please, and leave the faders alone.", quiet=True)
    )
    quiet = capture(live, length_s=QUIET_ROUNDS * ROUND_S, stop_wanted=watch.stop_wanted)
    if quiet.ended == "stopped":
        return None
    listener = Listener(order, rate_hz=live.rate_hz, quiet=quiet.microphone)
    watch.tell(Said("Noise comes up from quiet. Leave the faders alone until a figure shows."))
    n = listener.round_frames
    signal = np.tile(listener.one_round, round(STRETCH_S / ROUND_S))
    guidance: Guidance | None = None

    def over() -> bool:
        return watch.stop_wanted() or (guidance is not None and guidance.way == "done")

    for _ in range(round(LONGEST_S / STRETCH_S)):
        rest = np.zeros(0, dtype=np.float32)

        def on_block(block: NDArray[np.float32]) -> None:
            nonlocal rest, guidance
            rest = np.concatenate([rest, block[:, 0]])
            # While it comes up, and as it ends, it is no whole round of the noise.
            if not SKIP_S * live.rate_hz <= live.played_frames <= signal.size - n:
                rest = rest[:0]
            while rest.size >= n:
                one_round, rest = rest[:n], rest[n:]
                before, guidance = guidance, listener.hear(one_round) or guidance
                if guidance is not None:
                    watch.tell(Guided(guidance, before, _stood(order, before, guidance)))

        capture(live, signal, length_s=STRETCH_S, on_block=on_block, stop_wanted=over)
        if over():
            break
    return guidance
