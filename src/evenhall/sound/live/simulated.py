"""Simulated devices: a hall that is computed, played and heard in this process, without hardware.

    SIMULATED_SETUP     the devices and channels that it stands for
    SimulatedDevices    what `session.Live` is to real devices: the same calls, the same words

There is no thread: whatever asks brings it up to the clock. `connect()` says what is soloed and
where the microphone stands or how it is carried; a sound is sent through that from when it begins,
and what a stop leaves unsent is taken out again with all that it would have made the room answer.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import FULL_SCALE_RMS, amplitude_from_db
from evenhall.sound.live.engine import ASKER_GONE, FINISHED, LEASE_S, STOPPED, fade_out
from evenhall.sound.live.exchange import ENDED
from evenhall.sound.live.open_devices import (
    CEILING_DBFS,
    RING_S,
    Heard,
    Lost,
    check_sound,
    ramped,
)
from evenhall.sound.live.setup import SoundSetup
from evenhall.sound.live.watchdog import device_gone
from evenhall.sound.simulated.hall import convolve
from evenhall.sound.simulated.recorder import Noise
from evenhall.sound.simulated.walking import Way

__all__ = ["SIMULATED_SETUP", "SimulatedDevices"]

Float32Array = NDArray[np.float32]

NAME = "Simulated hall"
SIMULATED_SETUP = SoundSetup(NAME, NAME, rate_hz=48_000, reference="inside", latency_s=0.0)
# The noise comes round after so long: whole periods of mains hum, and no seam.
NOISE_S = 20.0
# The hall waits for an answer that takes longer to compute than this, in its own seconds: else a
# quick hall would be ever later.
LATE_S = 1.0
# Of the converter itself, so that an input is never at zero (common practice, no source).
CONVERTER_DBFS = -115.0
QUIET_HALL = Noise()


class SimulatedDevices:
    """One device that plays into a computed hall and hears it.

    Sound is asked for as with `session.Live`: who plays must call `keep_alive()` every two
    seconds by the clock, or it fades out.

    Parameters
    ----------
    ceiling_dbfs : float
        Highest peak that is sent, dB re a full-scale sine.
    noise : Noise
        What the microphone hears besides.
    seed : int
        Of that noise.
    pace : float
        Seconds of sound in a second of the clock; 1 is real time.
    clock : callable
        Seconds, any origin. Where nobody reads for ten of them the hall waits, as for an answer
        that takes long to compute: nothing is lost.
    """

    def __init__(
        self,
        *,
        ceiling_dbfs: float = CEILING_DBFS,
        noise: Noise = QUIET_HALL,
        seed: int = 1,
        pace: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.setup = SIMULATED_SETUP
        self.rate_hz = float(self.setup.rate_hz)
        self._ceiling_dbfs = ceiling_dbfs
        self._noise = _noise_round(noise, seed=seed, rate_hz=self.rate_hz)
        self.connect(np.zeros(1))
        self.turn_gain(0.0)
        # A unit in the way, and what has passed by it and still rings in it.
        self._unit = np.ones(1, dtype=np.float32)
        self._passed = np.zeros(0, dtype=np.float32)
        # What comes in from the next frame to be read on: the room's answer, and what is sent.
        self._coming = np.zeros((0, 2), dtype=np.float32)
        self._read = 0
        # Answers of which more is to come, and the frame from which on.
        self._answering: list[tuple[int, Iterator[Float32Array]]] = []
        # The last sound: what was asked for, through which room, from which frame to which, why.
        self._programme = np.zeros(0, dtype=np.float32)
        self._through, self._besides = self._connected
        self._begun_at = self._ends_at = 0
        self._why = ""
        self._sign_at = 0
        self._unplugged = False
        self._frames_per_s = pace * self.rate_hz
        self._clock = clock
        self._origin_s = clock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def connect(
        self,
        through: NDArray[np.floating[Any]] | Way,
        besides: NDArray[np.floating[Any]] | None = None,
    ) -> None:
        """Say what is soloed and where the microphone stands or goes, from the next sound on.

        Parameters
        ----------
        through : ndarray, shape (n_samples,), or callable
            Impulse response from what is sent to the microphone's input, at `rate_hz`; or what
            gives the answer to a sound. It must be linear. Its pieces are asked for when they are
            due.
        besides : ndarray, shape (n_samples,), optional
            What the microphone hears while a sound plays, from its start: steps. It ends with the
            sound.
        """
        if callable(through):
            way = through
        else:
            impulse = through.astype(np.float32)

            def way(programme: Float32Array, _from_frame: int) -> Iterable[Float32Array]:
                return (convolve(programme, impulse),)

        none = np.zeros(0) if besides is None else besides
        self._connected = way, none.astype(np.float32)

    def put_in(self, impulse: NDArray[np.floating[Any]]) -> None:
        """Put a unit into the way whose faders move while it plays, from the next frame read on.

        Parameters
        ----------
        impulse : ndarray, shape (n_samples,)
            Its impulse response at `rate_hz`, as long as before.
        """
        self._unit = impulse.astype(np.float32)
        if self._passed.size != impulse.size - 1:
            self._passed = np.zeros(impulse.size - 1, dtype=np.float32)

    def turn_gain(self, gain_db: float) -> None:
        """Turn the microphone's preamp, from the next frame that is read on.

        Parameters
        ----------
        gain_db : float
            Re the one at which noise and impulse responses were given.
        """
        self.gain_db, self._gain = gain_db, np.float32(amplitude_from_db(gain_db))

    def unplug(self) -> None:
        """Pull the device out: the next `read()` finds it gone."""
        self._unplugged = True

    @property
    def one_clock(self) -> bool:
        """Whether what is sent and what is heard are counted by one device: always."""
        return True

    def play(self, signal: NDArray[np.floating[Any]]) -> None:
        """Begin to play, as `OpenDevices` says."""
        check_sound(
            signal, rate_hz=self.rate_hz, ceiling_dbfs=self._ceiling_dbfs, playing=self.playing
        )
        self._programme = ramped(signal, self.rate_hz)
        self._through, self._besides = self._connected
        answer = iter(self._through(self._programme, 0))
        begun_s = self._clock()
        first = next(answer)
        self._origin_s += self._clock() - begun_s  # the sound begins when it is asked for
        self._begun_at = self._sign_at = self._now()
        self._ends_at = self._begun_at + self._programme.size
        self._why = ENDED[FINISHED]
        self._add(self._programme, 1, self._begun_at)
        self._add(first, 0, self._begun_at)
        self._answering.append((self._begun_at + first.size, answer))

    def stop(self) -> None:
        """Fade out what plays, from now on; the room rings on."""
        now = self._look()
        if now < self._ends_at and self._why == ENDED[FINISHED]:
            self._cut(now, ENDED[STOPPED])

    def keep_alive(self) -> None:
        """Tell that whoever asked for the sound is still there."""
        # First what happened while nobody said so: too long a silence has ended the sound.
        self._sign_at = self._look()

    @property
    def playing(self) -> bool:
        """Whether a sound was asked for and has not ended."""
        return self._look() < self._ends_at and not self._unplugged

    @property
    def played_frames(self) -> int:
        """How much of the last sound was sent."""
        return min(self._look(), self._ends_at) - self._begun_at

    @property
    def read_frames(self) -> int:
        """How many frames were read since the devices were opened."""
        return self._read

    @property
    def ended(self) -> str:
        """Why the last sound ended: "finished", "stopped", "asker gone", or ""."""
        return "" if self.playing else self._why

    def read(self) -> Heard:
        """Take what came in since the last time; DeviceError if it was unplugged."""
        now = self._look()
        if self._unplugged:
            raise device_gone(NAME)
        begun_s = self._clock()
        self._answer_until(now)
        late_s = self._clock() - begun_s - LATE_S * self.rate_hz / self._frames_per_s
        self._origin_s += max(late_s, 0.0)
        n = now - self._read
        heard = self._noise.take(np.arange(self._read, now), mode="wrap")
        sent = np.zeros(n, dtype=np.float32)
        ready = self._coming[:n]
        answer = np.zeros(n, dtype=np.float32)
        answer[: len(ready)] = ready[:, 0]
        heard += self._through_unit(answer)
        sent[: len(ready)] = ready[:, 1]
        first, last = np.clip((self._read, now), self._begun_at, self._ends_at)
        part = self._besides[first - self._begun_at : last - self._begun_at]
        heard[first - self._read :][: part.size] += part
        self._coming = self._coming[n:]
        self._read = now
        heard = np.clip(heard * self._gain, -1.0, 1.0)
        return Heard(inputs=heard[:, None], sent=sent)

    def lost(self) -> tuple[Lost, ...]:
        """Tell the places at which sound was lost: none."""
        return ()

    def _through_unit(self, answer: Float32Array) -> Float32Array:
        if self._unit.size == 1:
            return answer * self._unit
        whole = np.concatenate([self._passed, answer])
        self._passed = whole[answer.size :]
        # The first of it would need what has passed before.
        return convolve(whole, self._unit)[self._passed.size : whole.size]

    def _now(self) -> int:
        """Count the frames that there are by the clock."""
        frames = int((self._clock() - self._origin_s) * self._frames_per_s)
        too_many = frames - self._read - round(RING_S * self._frames_per_s)
        if too_many > 0:
            self._origin_s += too_many / self._frames_per_s
            frames -= too_many
        return max(frames, self._read)

    def _look(self) -> int:
        """Come up to the clock: end the sound if its asker has been silent for too long."""
        now = self._now()
        patience_ends_at = self._sign_at + round(LEASE_S * self._frames_per_s)
        if patience_ends_at < min(now, self._ends_at) and self._why == ENDED[FINISHED]:
            self._cut(patience_ends_at, ENDED[ASKER_GONE])
        return now

    def _cut(self, at_frame: int, why: str) -> None:
        """Fade out what plays from that frame on, which nobody has read yet."""
        unsent = self._programme[at_frame - self._begun_at :].copy()
        fade = fade_out(self.rate_hz)[: unsent.size]
        unsent[: fade.size] *= 1.0 - fade
        self._add(-unsent, 1, at_frame)
        self._answering.append((at_frame, iter(self._through(-unsent, at_frame - self._begun_at))))
        self._ends_at = at_frame + fade.size
        self._why = why

    def _answer_until(self, frame: int) -> None:
        still = []
        for at_frame, answer in self._answering:
            more: Float32Array | None = np.zeros(0, dtype=np.float32)
            while at_frame < frame and (more := next(answer, None)) is not None:
                self._add(more, 0, at_frame)
                at_frame += more.size
            if more is not None:
                still.append((at_frame, answer))
        self._answering = still

    def _add(self, samples: Float32Array, column: int, at_frame: int) -> None:
        """Let that come in from a frame on, which nobody has read yet: answer 0, sent 1."""
        start = at_frame - self._read
        more = start + samples.size - len(self._coming)
        if more > 0:
            self._coming = np.pad(self._coming, ((0, more), (0, 0)))
        self._coming[start : start + samples.size, column] += samples


def _noise_round(noise: Noise, *, seed: int, rate_hz: float) -> Float32Array:
    """Make noise that can be heard over and over: of hall, mains and converter."""
    rng = np.random.default_rng(seed)
    silence = np.zeros(round(NOISE_S * rate_hz))
    whole = noise.samples(silence, rate_hz=rate_hz, rng=rng)
    converter = amplitude_from_db(CONVERTER_DBFS) * FULL_SCALE_RMS
    whole += converter * rng.standard_normal(silence.size)
    return whole.astype(np.float32)
