"""Job folders made take by take: short takes of pink noise in a small, simulated room.

Folder(path).add(samples, ...).tune()     real files, read by the real thing
room(), with_peaks()                      impulse responses
heard()                                   what the microphone records of them
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile
from numpy.typing import NDArray

from evenhall.acoustics.stimulus import pink_noise
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import tune

__all__ = [
    "DELAY_S",
    "RATE_HZ",
    "Folder",
    "heard",
    "peaking",
    "played",
    "room",
    "sound_take",
    "two_channels",
    "with_peaks",
]

FloatArray = NDArray[np.float64]
RATE_HZ = 48_000
DELAY_S = 0.012
RT60_S = 0.35


@cache
def played(
    duration_s: float = 3.0, low_hz: float | None = None, high_hz: float | None = None
) -> FloatArray:
    """Pink noise at -20 dBFS."""
    band = {} if low_hz is None else {"low_hz": low_hz, "high_hz": high_hz}
    noise = pink_noise(duration_s, rate_hz=RATE_HZ, seed=7, level_dbfs=-20.0, **band)
    noise.setflags(write=False)
    return noise


@cache
def room(
    seed: int = 0, *, direct: float = 0.5, reverberant: float = 0.02, delay_s: float = DELAY_S
) -> FloatArray:
    """Impulse response: the direct sound, then noise that decays."""
    rng = np.random.default_rng(1000 + seed)
    n_taps = int(1.2 * RT60_S * RATE_HZ)
    impulse = reverberant * rng.standard_normal(n_taps)
    impulse *= 10.0 ** (-3.0 * np.arange(n_taps) / (RT60_S * RATE_HZ))
    impulse[:200] *= np.arange(200) / 200.0
    impulse[0] += direct
    impulse = np.concatenate((np.zeros(round(delay_s * RATE_HZ)), impulse))
    impulse.setflags(write=False)
    return impulse


def peaking(hz: float, gain_db: float, q: float) -> FloatArray:
    """One peaking section as sos, after the published cookbook formulas (R. Bristow-Johnson)."""
    a = 10.0 ** (gain_db / 40.0)
    w = 2.0 * np.pi * hz / RATE_HZ
    alpha = np.sin(w) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a])
    c = np.array([1.0 + alpha / a, -2.0 * np.cos(w), 1.0 - alpha / a])
    return np.concatenate([b / c[0], c / c[0]])[None, :]


def with_peaks(
    impulse: FloatArray, peaks: Iterable[tuple[float, float, float]], *, low_hz: float = 60.0
) -> FloatArray:
    """Put a loudspeaker in front: its low limit (24 dB an octave) and peaks of (hz, dB, Q)."""
    impulse = scipy.signal.sosfilt(
        scipy.signal.butter(4, low_hz, "high", fs=RATE_HZ, output="sos"), impulse
    )
    for peak in peaks:
        impulse = scipy.signal.sosfilt(peaking(*peak), impulse)
    return impulse


def heard(
    reference: FloatArray,
    impulse: FloatArray | None = None,
    *,
    seed: int = 0,
    noise_db: float = -60.0,
) -> FloatArray:
    """What the microphone records: the room, and noise so many dB re the wanted sound."""
    wanted = scipy.signal.fftconvolve(reference, room(seed) if impulse is None else impulse)
    wanted = wanted[: reference.size]
    rng = np.random.default_rng(2000 + seed)
    scale = np.sqrt(np.mean(wanted**2)) * 10.0 ** (noise_db / 20.0)
    return wanted + scale * rng.standard_normal(wanted.size)


def two_channels(microphone: FloatArray, reference: FloatArray) -> FloatArray:
    """Microphone on the first channel, reference on the second."""
    return np.stack((microphone, reference), axis=1)


def sound_take(seed: int = 0) -> FloatArray:
    """Take with nothing wrong about it."""
    return two_channels(heard(played(), seed=seed), played())


@dataclass
class Folder:
    """A job folder; `head` is the part of job.toml before the takes."""

    path: Path
    head: str = f'[venue]\nname = "Quarry Lane Hall"\nrt60_s = {RT60_S}\n'
    takes: list[str] = field(default_factory=list)

    def add(
        self,
        samples: FloatArray | bytes,
        name: str = "a.wav",
        *,
        rate_hz: int = RATE_HZ,
        side: str = "left",
        spot: str = "front",
        subtype: str = "FLOAT",
        fields: str = "reference_channel = 2",
    ) -> Folder:
        """Add a take: samples, or the bytes of a file."""
        if isinstance(samples, bytes):
            (self.path / name).write_bytes(samples)
        else:
            soundfile.write(self.path / name, samples, rate_hz, subtype=subtype)
        self.takes.append(
            f'[[take]]\nfile = "{name}"\nside = "{side}"\nspot = "{spot}"\n{fields}\n'
        )
        return self

    def write(self) -> Path:
        """Write job.toml."""
        (self.path / "job.toml").write_text(self.head + "\n".join(self.takes))
        return self.path

    def tune(self) -> Result:
        """Write job.toml, read it again, and tune."""
        self.write()
        return tune(load_job(self.path), self.path)

    def only_take(self):
        """Tune, and give the one take there is."""
        (take,) = self.tune().takes
        return take
