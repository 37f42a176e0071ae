"""A hand on a graphic unit, in simulated time: what is heard runs through the code that runs live.

    Rack    what is in the rack: sections of its own, unlike the program's model if asked
    Hand    looks once a second, goes too far, and stops within half a decibel of what it meant
    Way     devices whose time is their sound: the unit, then a room or a cable, then noise
    try_card()   one card from first to last, as `Outcome`

The unit lies before the room, so that the room still rings with what a fader did before. Nothing
but the guidance on the screen reaches the hand: it moves by steps, and reads no scale.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from evenhall.equalizer.graphic import graphic_unit, positions_of
from evenhall.job.live.faders import FaderOrder, follow_faders
from evenhall.job.live.watch import Guided, Watch
from evenhall.sound.live import capture as capturing
from evenhall.sound.live.open_devices import Heard, ramped
from evenhall.sound.live.setup import SoundSetup

__all__ = ["Hand", "Outcome", "Rack", "Way", "rack_of", "random_card", "try_card"]

RATE_HZ = 48_000
BLOCK = 2400
UNIT_TAPS = 16_384
FADE_S = 0.002

# A hand: common practice, no source.
LOOKS_S, LOOKS_JITTER = 1.0, 0.15
REACH_S = 1.0  # to find another fader on the front
PACE_DB_S = 4.0
STOPS_WITHIN_DB = 0.5
MOST_TOO_FAR = 0.25  # share of the way that it goes too far, at most


@dataclass(frozen=True)
class Rack:
    """What is in the rack; arrays of shape (n_faders,).

    Attributes
    ----------
    centre_hz, q : ndarray
    share : ndarray
        Gain per dB of the scale.
    q_power : float
        0.5 is proportional Q, 0 constant.
    range_db : float
    """

    centre_hz: np.ndarray
    q: np.ndarray
    share: np.ndarray
    q_power: float
    range_db: float

    def sections(self, scale_db, freq_hz):
        """Response of each section, shape (n_faders, n_freq)."""
        gain_db = self.share * scale_db
        amplitude = 10.0 ** (np.abs(gain_db) / 20.0)
        ratio = freq_hz / self.centre_hz[:, None]
        width = 1.0 / (self.q * amplitude**self.q_power)
        top = (width * np.where(gain_db >= 0, amplitude, 1.0))[:, None]
        bottom = (width * np.where(gain_db >= 0, 1.0, amplitude))[:, None]
        rest = 1.0 - ratio**2
        return (rest + 1j * ratio * top) / (rest + 1j * ratio * bottom)


def rack_of(unit, rng, *, alike):
    """A unit as the program believes it, or another Q and law, and a scale some per cent off."""
    count = unit.fader_count
    if alike:
        power = 0.5 if unit.model == "proportional-q" else 0.0
        return Rack(unit.centre_hz, unit.q, np.ones(count), power, unit.range_db)
    return Rack(
        centre_hz=unit.centre_hz * rng.uniform(0.99, 1.01, count),
        q=unit.q * rng.uniform(0.7, 1.4) * rng.uniform(0.95, 1.05, count),
        share=rng.uniform(0.93, 1.07) * rng.uniform(0.98, 1.02, count),
        q_power=float(rng.choice([0.0, 0.25, 0.5])),
        range_db=unit.range_db,
    )


class Hand:
    """A hand that does what the screen says; it knows the way and the size, and nothing else."""

    def __init__(self, rack, nominal_hz, rng):
        self.rack, self.nominal_hz, self.rng = rack, nominal_hz, rng
        self.scale_db = np.zeros(nominal_hz.size)
        self.holds, self.goal_db = None, 0.0
        self.looks_at_s = self.reached_s = 0.0
        self.guidance = None

    def live_on(self, now_s, elapsed_s):
        """Look, if it is time, and go on with the move; says whether a fader moved."""
        if self.guidance is not None and now_s >= self.looks_at_s:
            self.looks_at_s = now_s + LOOKS_S * self.rng.uniform(1 - LOOKS_JITTER, 1 + LOOKS_JITTER)
            self._look(now_s)
        if self.holds is None or now_s < self.reached_s:
            return False
        left_db = self.goal_db - self.scale_db[self.holds]
        most_db = PACE_DB_S * elapsed_s
        self.scale_db[self.holds] += np.clip(left_db, -most_db, most_db)
        return left_db != 0.0

    def _look(self, now_s):
        seen = self.guidance
        if self.holds is not None and self.goal_db != self.scale_db[self.holds]:
            return  # on its way
        if seen.way not in ("up", "down"):
            return
        fader = int(np.argmin(np.abs(self.nominal_hz - seen.hz)))
        if fader != self.holds:
            self.holds, self.reached_s = fader, now_s + REACH_S
        touch = "touch" in seen.text
        # A touch is as large as the two figures below it say.
        size_db = abs(seen.now_db - seen.wanted_db) if touch else float(seen.text.split()[-1])
        meant_db = size_db * (1.0 + self.rng.uniform(0.0, MOST_TOO_FAR))
        meant_db += self.rng.uniform(-1.0, 1.0) * (0.5 if touch else 1.0) * STOPS_WITHIN_DB
        goal_db = self.scale_db[fader] + (1.0 if seen.way == "up" else -1.0) * max(meant_db, 0.1)
        self.goal_db = float(np.clip(goal_db, -self.rack.range_db, self.rack.range_db))


class Way:
    """Devices as `follow_faders()` wants them; each `read()` is a twentieth of a second later."""

    rate_hz = float(RATE_HZ)
    one_clock = True

    def __init__(self, hand, path, noise_rms, rng):
        self.setup = SoundSetup("way", "way", reference="inside", output_channels=(1,))
        self.hand, self.path, self.noise_rms, self.rng = hand, path, noise_rms, rng
        self.read_frames = 0
        self._signal, self._at = np.zeros(0), 0
        n_fft = fft.next_fast_len(BLOCK + UNIT_TAPS, real=True)
        self._unit_fft = n_fft
        self._freq_hz = np.fft.rfftfreq(UNIT_TAPS, 1.0 / RATE_HZ)
        self._sections = hand.rack.sections(hand.scale_db, self._freq_hz)
        self._taps_of()
        self._path_fft = fft.next_fast_len(BLOCK + UNIT_TAPS + path.size, real=True)
        self._path_spectrum = fft.rfft(path, self._path_fft)
        self._coming = np.zeros(self._path_fft)
        self._pink = _pinking(rng)
        self.now_s = 0.0

    def _taps_of(self):
        taps = fft.irfft(self._sections.prod(axis=0), UNIT_TAPS)
        self._unit_spectrum = fft.rfft(np.roll(taps, 96), self._unit_fft)

    def play(self, signal):
        self._signal, self._at = ramped(np.asarray(signal, dtype=np.float32), RATE_HZ), 0

    def stop(self):
        self._signal = self._signal[: self._at]

    def keep_alive(self):
        pass

    def lost(self):
        return ()

    @property
    def playing(self):
        return self._at < self._signal.size

    @property
    def ended(self):
        return "" if self.playing else "finished"

    @property
    def played_frames(self):
        return min(self._at, self._signal.size)

    def read(self):
        step_s = BLOCK / RATE_HZ
        if self.hand.live_on(self.now_s, step_s):
            k = self.hand.holds
            one = replace(
                self.hand.rack,
                centre_hz=self.hand.rack.centre_hz[k : k + 1],
                q=self.hand.rack.q[k : k + 1],
                share=self.hand.rack.share[k : k + 1],
            )
            self._sections[k] = one.sections(self.hand.scale_db[k : k + 1], self._freq_hz)[0]
            self._taps_of()
        sent = np.zeros(BLOCK)
        part = self._signal[self._at : self._at + BLOCK]
        sent[: part.size] = part
        self._at += part.size
        equalized = fft.irfft(fft.rfft(sent, self._unit_fft) * self._unit_spectrum, self._unit_fft)
        spectrum = fft.rfft(equalized[: BLOCK + UNIT_TAPS - 1], self._path_fft)
        self._coming += fft.irfft(spectrum * self._path_spectrum, self._path_fft)
        heard = self._coming[:BLOCK] + self.noise_rms * self._pink(BLOCK)
        self._coming = np.append(self._coming[BLOCK:], np.zeros(BLOCK))
        self.read_frames += BLOCK
        self.now_s += step_s
        return Heard(inputs=heard.astype(np.float32)[:, None], sent=sent.astype(np.float32))


def _pinking(rng):
    """Pink noise of RMS 1, a stretch at a time, out of a round of twenty seconds."""
    n = 20 * RATE_HZ
    freq_hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    spectrum = np.sqrt(1.0 / np.maximum(freq_hz, 16.0))
    spectrum = spectrum * np.exp(2j * np.pi * rng.random(freq_hz.size))
    whole = fft.irfft(spectrum, n)
    whole /= whole.std()
    at = 0

    def take(count):
        nonlocal at
        part = whole.take(np.arange(at, at + count), mode="wrap")
        at += count
        return part

    return take


def room_path(rng):
    """A direct sound and a diffuse decay of 0.5 to 1.2 s, as loud as it within 3 dB."""
    rt60_s = rng.uniform(0.5, 1.2)
    taps = round(0.7 * rt60_s * RATE_HZ)
    tail = rng.normal(size=taps) * 10.0 ** (-3.0 * np.arange(taps) / (rt60_s * RATE_HZ))
    tail[: RATE_HZ // 200] = 0.0
    tail *= 10.0 ** (rng.uniform(-3.0, 3.0) / 20.0) / np.sqrt(np.square(tail).sum())
    tail[0] += 1.0
    return np.concatenate([np.zeros(480), tail])


def random_card(unit, rng, *, count):
    """So many faders, half decibels of -9 to +6; of each third card one at the end of its way."""
    lowest = 3 if count <= 20 else 0
    heard = np.arange(lowest, unit.fader_count - (1 if count <= 20 else 0))
    which = rng.choice(heard, count, replace=False)
    size_db = 0.5 * rng.integers(2, 19, count)
    raised = rng.random(count) < 0.3
    fader_db = np.where(raised, np.minimum(size_db, 6.0), -size_db)
    if rng.random() < 1 / 3:
        fader_db[-1] = -unit.range_db
    return {float(unit.nominal_hz[k]): float(db) for k, db in zip(which, fader_db, strict=True)}


@dataclass(frozen=True)
class Outcome:
    """What came of a card.

    Attributes
    ----------
    done : bool
    took_s : float
        From the first quiet to *all stand*.
    off_db : ndarray, shape (n_faders,)
        Gain that each fader really gives, less what the card asks and it can reach; nan for those
        that the person was told to set by their scale.
    last : Guidance
    asked_past_s : float
        For how long a fader at its stop was asked to go on.
    trail : tuple of (float, Guidance, ndarray)
        When, what was shown, and where the faders stood on their scale.
    """

    done: bool
    took_s: float
    off_db: np.ndarray
    last: object
    asked_past_s: float
    trail: tuple


def try_card(*, by_cable, alike, seed, longest_s, count=12, card=None, bands=31):
    """One card, set by a hand that does what it is told; a random one without `card`."""
    rng = np.random.default_rng(seed)
    unit = graphic_unit(bands)
    rack = rack_of(unit, rng, alike=alike)
    card = card or random_card(unit, rng, count=count)
    wanted_db = positions_of(unit, card)
    hand = Hand(rack, unit.nominal_hz, rng)
    sound_rms = 10.0 ** ((-32.0 - 3.01) / 20.0)
    if by_cable:
        path = np.array([10.0 ** (rng.uniform(-15.0, 10.0) / 20.0)])
        noise = sound_rms * path[0] * 10.0 ** (rng.uniform(-75.0, -55.0) / 20.0)
    else:
        path = 0.5 * room_path(rng)
        loud = sound_rms * np.sqrt(np.square(path).sum())
        noise = loud * 10.0 ** (-rng.uniform(25.0, 40.0) / 20.0)
    way = Way(hand, path, noise, rng)
    order = FaderOrder(
        unit=unit,
        wanted_db=wanted_db,
        start_db=np.zeros(unit.fader_count),
        by_cable=by_cable,
        low_hz=20.0 if by_cable else 40.0,
        high_hz=20_000.0,
    )
    trail, past_s = [], 0.0

    class HandWatch(Watch):
        def tell(self, news):
            nonlocal past_s
            if not isinstance(news, Guided):
                return
            hand.guidance = guidance = news.guidance
            if guidance.hz is not None:
                at = int(np.argmin(np.abs(unit.nominal_hz - guidance.hz)))
                ends = rack.range_db * {"up": 1.0, "down": -1.0}.get(guidance.way, np.inf)
                past_s += 0.2 * bool(hand.scale_db[at] == ends)
            trail.append((way.now_s, guidance, hand.scale_db.copy()))

        def stop_wanted(self):
            return way.now_s > longest_s

    last = _at_once(way, order, HandWatch())
    reach_db = rack.share * rack.range_db
    off_db = rack.share * hand.scale_db - np.clip(wanted_db, -reach_db, reach_db)
    if last is not None:
        off_db[np.isin(unit.nominal_hz, last.unheard_hz)] = np.nan
    return Outcome(
        done=last is not None and last.way == "done",
        took_s=way.now_s,
        off_db=off_db,
        last=last,
        asked_past_s=past_s,
        trail=tuple(trail),
    )


class _NoWaiting:
    """The clock of `capture()`, which waits for a device that is always there at once."""

    monotonic = staticmethod(time.monotonic)

    @staticmethod
    def sleep(_seconds):
        pass


def _at_once(way, order, watch):
    waits, capturing.time = capturing.time, _NoWaiting
    try:
        return follow_faders(way, order, watch=watch)
    finally:
        capturing.time = waits
