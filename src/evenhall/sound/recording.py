"""Sound files in: samples, rate, and whether the recorder clipped. Start at `read_recording()`.

`opened_recording()` gives one of any length, block by block.

libsndfile decodes, a block at a time; it takes a cut-off WAV or AIFF without a word, so the
length that the header promises is held against the file here (`headers.py`). What a take
can be is bounded before anything is decoded (`_check_size()`), and what a sample can be as it
comes (`_check_samples()`): whatever reaches the numeric rooms is finite and of a sensible size.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from evenhall.acoustics.level import HIGHEST_SAMPLE
from evenhall.errors import InputError
from evenhall.sound.clipping import clipped_places
from evenhall.sound.headers import UNKNOWN_SIZES, promised_bytes, with_length
from evenhall.verdict.problem import Problem

__all__ = [
    "LONGEST_S",
    "LOWEST_RATE_HZ",
    "Recording",
    "UnreadableRecording",
    "opened_recording",
    "read_recording",
]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100.0, 384_000.0
# A take is two minutes of noise, half a minute off either way; the rest is for a recorder that
# was left running. At higher rates less: a channel is held in 120 MB.
LONGEST_S = 600.0
MOST_FRAMES = 30_000_000
MOST_CHANNELS = 64  # of a mixer that records all its inputs
MOST_SAMPLES = 2 * MOST_FRAMES  # of all channels that are kept
# Of all channels, kept or not: what is decoded within a few seconds.
MOST_DECODED = 2**28

# libsndfile's names; the rest drop or bend what a measurement needs (lossy codecs, telephony).
LOSSLESS = ("PCM_", "FLOAT", "DOUBLE", "ALAC_")

UNKNOWN_FRAMES = 2**40  # beyond it a length is a mark for "unknown"
BLOCK = 2**16
# A block that runs into the end of an unfinished FLAC is lost, so they are short there.
SHORT_BLOCK = 2**10


@dataclass(frozen=True)
class Recording:
    """What a file or a device gave.

    Parameters
    ----------
    samples : ndarray, shape (n_samples, n_kept)
        float32, full scale = 1.0, within +-`HIGHEST_SAMPLE`; a channel is contiguous in memory.
    rate_hz : float
        Samples a second.
    channels : tuple of int, shape (n_kept,)
        Which channels of the file they are, from 1.
    n_channels : int
        How many the file has.
    clipped_places : tuple of int, shape (n_kept,)
        Flat tops found, see `clipping.clipped_places()`.
    clipped_ratio : tuple of float, shape (n_kept,)
        Share of the samples that lie in them, 0 to 1.
    """

    samples: NDArray[np.float32]
    rate_hz: float
    channels: tuple[int, ...]
    n_channels: int
    clipped_places: tuple[int, ...]
    clipped_ratio: tuple[float, ...]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    def channel(self, number: int) -> NDArray[np.float32]:
        """Give the samples of a channel that was kept, counted from 1."""
        return self.samples[:, self.channels.index(number)]


class UnreadableRecording(InputError):  # noqa: N818 - says what it is
    """Nothing can be made of a sound file; `problem` says why, and what to do."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.problem = Problem(code, text)


def read_recording(
    path: Path, *, channels: Sequence[int] | None = None, longest_s: float = LONGEST_S
) -> Recording:
    """Read a WAV, FLAC, AIFF or RF64 file, integer or float, as float32.

    Parameters
    ----------
    path : Path
        An existing file.
    channels : sequence of int, optional
        Which to keep, from 1; all without it. Those that the file does not have are left out.
        The others are looked at, and not held in memory.
    longest_s : float
        What is longer is refused.

    Raises
    ------
    UnreadableRecording
        ``unreadable``: no sound file, nothing in it, a lossy format, or larger than a take can
        be. ``damaged``: cut off, broken inside, samples that are no numbers or absurd ones.
        ``low_rate``: under 44.1 kHz.
    """
    with _sound_in(path) as sound:
        kept = _kept(sound, channels)
        _check_size(sound, len(kept), longest_s)
        samples = _decode(sound, kept, longest_s)
        rate_hz, n_channels = float(sound.samplerate), sound.channels
    clipped = [clipped_places(channel) for channel in samples.T]
    return Recording(
        samples,
        rate_hz,
        channels=kept,
        n_channels=n_channels,
        clipped_places=tuple(places for places, _ in clipped),
        clipped_ratio=tuple(ratio for _, ratio in clipped),
    )


@contextmanager
def opened_recording(
    path: Path, *, channel: int = 1
) -> Iterator[tuple[float, Iterator[NDArray[np.float32]]]]:
    """Open a file of any length: its rate, and a channel of it block by block.

    Parameters
    ----------
    channel : int
        From 1.

    Raises
    ------
    UnreadableRecording
        As `read_recording()`, here or while blocks are read; also where there is no such channel.
    """
    with _sound_in(path) as sound:
        _check_kind(sound)
        if channel > sound.channels:
            raise UnreadableRecording(
                "unreadable",
                f"The file has {sound.channels} channels: there is no channel {channel}.",
            )
        yield (
            float(sound.samplerate),
            (np.ascontiguousarray(block[:, channel - 1]) for block in _sound_blocks(sound)),
        )


@contextmanager
def _sound_in(path: Path) -> Iterator[soundfile.SoundFile]:
    """Open a file, whatever is wrong with it a line."""
    try:
        with path.open("rb") as file, _opened(_whole_source(path, file)) as sound:
            yield sound
    except FileNotFoundError as error:
        raise UnreadableRecording(
            "unreadable", "Its file is gone. Put it back where it was, or record the take again."
        ) from error
    except OSError as error:
        raise UnreadableRecording(
            "unreadable",
            f"The file cannot be opened ({error.strerror}). Check its permissions and the disk.",
        ) from error


def _kept(sound: soundfile.SoundFile, channels: Sequence[int] | None) -> tuple[int, ...]:
    there = range(1, sound.channels + 1)
    return tuple(there if channels is None else (one for one in channels if one in there))


def _whole_source(path: Path, file: BinaryIO) -> Path | io.RawIOBase:
    """Find what to decode: the file itself, or seen with a header that says how long it is."""
    promised = promised_bytes(file)
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    if size == 0:
        raise UnreadableRecording("unreadable", "The file is empty. Record the take again.")
    if promised is None:
        return path
    start, length = promised
    if length in UNKNOWN_SIZES:
        return with_length(file, start, size)
    if start + length > size:
        share = max(size - start, 0) / length
        raise UnreadableRecording(
            "damaged",
            f"The file is cut off: {100.0 * share:.0f} % of what its header promises is there. "
            "Copy it again from the recorder, or record the take again.",
        )
    return path


def _opened(source: Path | io.RawIOBase) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(source)
    except soundfile.LibsndfileError as error:
        raise UnreadableRecording(
            "unreadable",
            "This is not a sound file that can be read. Give WAV, FLAC, AIFF or RF64.",
        ) from error


def _check_kind(sound: soundfile.SoundFile) -> None:
    """Refuse what cannot be measured, by what the header says."""
    rate_hz = float(sound.samplerate)
    if not sound.subtype.startswith(LOSSLESS):
        raise UnreadableRecording(
            "unreadable",
            f"{sound.subtype_info} alters the sound to save space. "
            "Record as WAV, FLAC, AIFF or RF64.",
        )
    if rate_hz < LOWEST_RATE_HZ:
        raise UnreadableRecording(
            "low_rate",
            f"The file has {rate_hz / 1000.0:g} kHz: the treble is missing. "
            "Set the recorder to 48 kHz and record the take again.",
        )
    if rate_hz > HIGHEST_RATE_HZ:
        raise UnreadableRecording(
            "unreadable",
            f"The file has {rate_hz / 1000.0:g} kHz, and at most {HIGHEST_RATE_HZ / 1000.0:g} "
            "can be read. Set the recorder to 48 kHz and record the take again.",
        )
    if sound.channels > MOST_CHANNELS:
        raise UnreadableRecording(
            "unreadable",
            f"The file has {sound.channels} channels, and at most {MOST_CHANNELS} can be read. "
            "Export the microphone's and the reference's alone.",
        )
    if sound.frames == 0:
        raise UnreadableRecording(
            "unreadable", "The file holds no sound, only a header. Record the take again."
        )


def _check_size(sound: soundfile.SoundFile, n_kept: int, longest_s: float) -> None:
    """Refuse what no take can be, by what the header says."""
    _check_kind(sound)
    if sound.frames <= UNKNOWN_FRAMES and sound.frames > _most_frames(sound, n_kept, longest_s):
        raise _too_long(sound, n_kept, longest_s)


def _most_frames(sound: soundfile.SoundFile, n_kept: int, longest_s: float) -> int:
    return min(
        int(longest_s * sound.samplerate),
        MOST_FRAMES,
        MOST_SAMPLES // max(n_kept, 1),
        MOST_DECODED // int(sound.channels),
    )


def _too_long(sound: soundfile.SoundFile, n_kept: int, longest_s: float) -> UnreadableRecording:
    most_s = _most_frames(sound, n_kept, longest_s) / sound.samplerate
    known = sound.frames <= UNKNOWN_FRAMES
    long = f"is {_minutes(sound.frames / sound.samplerate)} long" if known else "is too long"
    with_so_many = ""
    if most_s < longest_s:
        count = f" and {sound.channels} channels" if sound.channels > 1 else ""
        with_so_many = f" with {sound.samplerate / 1000.0:g} kHz{count}"
    return UnreadableRecording(
        "unreadable",
        f"The file {long}. Give at most {_minutes(most_s)}{with_so_many}: cut the take out of it.",
    )


def _minutes(duration_s: float) -> str:
    """Say a length.

    Examples
    --------
    >>> _minutes(2820.0), _minutes(87.4), _minutes(600.0)
    ('47 minutes', '87 s', '10 minutes')
    """
    return f"{duration_s:.0f} s" if duration_s < 120.0 else f"{duration_s / 60.0:.3g} minutes"


def _decode(
    sound: soundfile.SoundFile, kept: tuple[int, ...], longest_s: float
) -> NDArray[np.float32]:
    """Decode to (n, kept), a channel contiguous; whole or not at all."""
    most = _most_frames(sound, len(kept), longest_s)
    finished = sound.frames <= UNKNOWN_FRAMES
    # What is not written to takes no memory, so that a header that lies costs nothing.
    samples = np.empty((len(kept), sound.frames if finished else most), dtype=np.float32)
    columns = [number - 1 for number in kept]
    read = 0
    for block in _sound_blocks(sound):
        if read + len(block) > samples.shape[1]:
            raise _too_long(sound, len(kept), longest_s)
        samples[:, read : read + len(block)] = block.T[columns]
        read += len(block)
    return samples[:, :read].T


def _sound_blocks(sound: soundfile.SoundFile) -> Iterator[NDArray[np.float32]]:
    """Decode block by block, to the end that was promised; a block holds until the next."""
    finished, read = sound.frames <= UNKNOWN_FRAMES, 0
    try:
        for block in _blocks(sound, BLOCK if finished else SHORT_BLOCK):
            _check_samples(block)
            read += len(block)
            yield block
    except soundfile.LibsndfileError as error:
        # A recorder that was switched off leaves a FLAC that does not say how long it is, and
        # ends in the middle of something: what is there is read.
        if finished or not read:
            raise _broken_inside() from error
    if finished and read < sound.frames:
        raise _broken_inside()


def _blocks(sound: soundfile.SoundFile, length: int) -> Iterator[NDArray[np.float32]]:
    buffer = np.empty((length, sound.channels), dtype=np.float32)
    while count := sound.buffer_read_into(buffer, dtype="float32"):
        yield buffer[:count]


def _check_samples(block: NDArray[np.float32]) -> None:
    # Minimum and maximum pass NaN on, for less than a look at each sample.
    low, high = float(block.min()), float(block.max())
    if not (np.isfinite(low) and np.isfinite(high)):
        raise UnreadableRecording(
            "damaged",
            "The file holds samples that are no numbers (NaN or infinite). "
            "Export it again as 24 bit, or record the take again.",
        )
    peak = max(-low, high)
    if peak > HIGHEST_SAMPLE:
        raise UnreadableRecording(
            "damaged",
            f"The file holds samples {20.0 * np.log10(peak):.0f} dB above full scale: no recorder "
            "writes those. Export it again as 24 bit, or record the take again.",
        )


def _broken_inside() -> UnreadableRecording:
    return UnreadableRecording(
        "damaged",
        "The file is cut off or broken inside. "
        "Copy it again from the recorder, or record the take again.",
    )
