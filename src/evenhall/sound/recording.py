"""Sound files in: samples, rate, and whether the recorder clipped. Start at `read_recording()`.

libsndfile decodes; it takes a cut-off WAV or AIFF without a word, so the length that the
header promises is held against the file here (`_promised_bytes()`). `clipped_places()` finds
flat tops by their shape, at full scale and below it.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from evenhall.errors import InputError
from evenhall.verdict.problem import Problem

__all__ = [
    "LOWEST_RATE_HZ",
    "Recording",
    "UnreadableRecording",
    "clipped_places",
    "clipping_problem",
    "read_recording",
]

LOWEST_RATE_HZ = 44_100.0

# libsndfile's names; the rest drop or bend what a measurement needs (lossy codecs, telephony).
LOSSLESS = ("PCM_", "FLOAT", "DOUBLE", "ALAC_")

UNKNOWN_SIZES = (0, 0xFFFFFFFF)  # what a recorder leaves that streams, or that was switched off

MOST_FRAMES = 2**40  # beyond it a length is a mark for "unknown"

# Clipping. Three equal samples in a row are the fewest that make a flat top by themselves.
SHORTEST_FLAT = 3
FULL_SCALE = 0.999  # and up to 1.0, half a step of an 8 bit file included
FLAT = 2.0**-15  # one step of 16 bits: a converter clips to one value
FLAT_BELOW = 1e-3  # of the top: behind a clipping preamp comes noise
LOWEST_TOP = 0.01  # a preamp has 40 dB more room than that; there, steps look like flat tops
FEWEST = 5  # flat tops below full scale, and short ones anywhere, before they are more than chance
# A smooth peak that stays within d of its top for n samples has fallen at most 9 d another
# (n + 1) / 2 samples on, as a parabola does; with rounding, 12 d. Clipped flanks are steeper.
STEEP = 12.0
# Of the samples within 9 d of the top, a smooth peak has a third within d; a clipped one most.
WIDE = 9.0
CROWDED = 0.8
UNEVEN = 0.5  # places that come by chance lie 1.0 of their mean distance off it


@dataclass(frozen=True)
class Recording:
    """What a file or a device gave.

    Parameters
    ----------
    samples : ndarray, shape (n_samples, n_channels)
        float32, full scale = 1.0; a channel is contiguous in memory.
    rate_hz : float
        Samples a second.
    clipped_places : tuple of int, one a channel
        Flat tops found, see `clipped_places()`.
    clipped_ratio : tuple of float, one a channel
        Share of the samples that lie in them, 0 to 1.
    """

    samples: NDArray[np.float32]
    rate_hz: float
    clipped_places: tuple[int, ...]
    clipped_ratio: tuple[float, ...]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    @property
    def n_channels(self) -> int:
        """How many channels there are."""
        return int(self.samples.shape[1])


class UnreadableRecording(InputError):  # noqa: N818 - says what it is
    """Nothing can be made of a sound file; `problem` says why, and what to do."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.problem = Problem(code, text)


def read_recording(path: Path) -> Recording:
    """Read a WAV, FLAC, AIFF or RF64 file, integer or float, as float32.

    Parameters
    ----------
    path : Path
        An existing file.

    Raises
    ------
    UnreadableRecording
        ``unreadable``: no sound file, nothing in it, or a lossy format. ``damaged``: cut off,
        broken inside, NaN or infinite samples. ``low_rate``: under 44.1 kHz.
    """
    try:
        with path.open("rb") as file:
            source = _whole_source(path, file)
        samples, rate_hz = _decode(source)
    except FileNotFoundError as error:
        raise UnreadableRecording(
            "unreadable", "Its file is gone. Put it back where it was, or record the take again."
        ) from error
    except OSError as error:
        raise UnreadableRecording(
            "unreadable",
            f"The file cannot be opened ({error.strerror}). Check its permissions and the disk.",
        ) from error
    places, ratios, finite = [], [], True
    for channel in samples.T:
        count, ratio = clipped_places(channel)
        places.append(count)
        ratios.append(ratio)
        # Minimum and maximum pass NaN and infinity on, for less than a look at each sample.
        finite &= bool(np.isfinite(channel.min()) and np.isfinite(channel.max()))
    if not finite:
        raise UnreadableRecording(
            "damaged",
            "The file holds samples that are no numbers (NaN or infinite). "
            "Export it again as 24 bit, or record the take again.",
        )
    return Recording(samples, rate_hz, tuple(places), tuple(ratios))


def _whole_source(path: Path, file: BinaryIO) -> Path | BinaryIO:
    """Find what to decode: the file itself, or a copy whose header says how long it is."""
    promised = _promised_bytes(file)
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    if size == 0:
        raise UnreadableRecording("unreadable", "The file is empty. Record the take again.")
    if promised is None:
        return path
    start, length = promised
    if length in UNKNOWN_SIZES:
        return _with_length(file, start, size - start)
    if start + length > size:
        share = max(size - start, 0) / length
        raise UnreadableRecording(
            "damaged",
            f"The file is cut off: {100.0 * share:.0f} % of what its header promises is there. "
            "Copy it again from the recorder, or record the take again.",
        )
    return path


def _decode(source: Path | BinaryIO) -> tuple[NDArray[np.float32], float]:
    """Decode to (n, channels), a channel contiguous, and the rate; whole or not at all."""
    try:
        sound = soundfile.SoundFile(source)
    except soundfile.LibsndfileError as error:
        raise UnreadableRecording(
            "unreadable",
            "This is not a sound file that can be read. Give WAV, FLAC, AIFF or RF64.",
        ) from error
    with sound:
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
        if sound.frames == 0:
            raise UnreadableRecording(
                "unreadable", "The file holds no sound, only a header. Record the take again."
            )
        try:
            if sound.frames > MOST_FRAMES:
                samples = _as_far_as_it_goes(sound)
            else:
                samples = sound.read(dtype="float32", always_2d=True)
                if len(samples) < sound.frames:
                    raise _broken_inside()
        except soundfile.LibsndfileError as error:
            raise _broken_inside() from error
    return np.ascontiguousarray(samples.T).T, rate_hz


def _as_far_as_it_goes(sound: soundfile.SoundFile) -> NDArray[np.float32]:
    """Read a FLAC whose recorder was switched off: it does not say how long it is."""
    blocks = []
    try:
        # A block that runs into the end is lost, so they are short.
        while len(block := sound.buffer_read(2**10, dtype="float32")):
            blocks.append(np.frombuffer(block, dtype=np.float32))
    except soundfile.LibsndfileError:
        if not blocks:
            raise
    return np.concatenate(blocks).reshape(-1, sound.channels)


def _broken_inside() -> UnreadableRecording:
    return UnreadableRecording(
        "damaged",
        "The file is cut off or broken inside. "
        "Copy it again from the recorder, or record the take again.",
    )


def _promised_bytes(file: BinaryIO) -> tuple[int, int] | None:
    """Where a WAV's, RF64's or AIFF's sound data starts, and how many bytes they should be."""
    head = file.read(12)
    order = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}.get(head[:4])
    if order is None or head[8:12] not in (b"WAVE", b"AIFF", b"AIFC"):
        return None
    long_size = None
    for name, size in _chunks(file, order):
        if name == b"ds64":
            sizes = file.read(16)
            long_size = struct.unpack("<8xQ", sizes)[0] if len(sizes) == 16 else None
        if name in (b"data", b"SSND"):
            return file.tell(), long_size if size == 0xFFFFFFFF and long_size else size
    return None


def _chunks(file: BinaryIO, order: str) -> Iterator[tuple[bytes, int]]:
    """Name and size of each chunk, the file standing at the chunk's content."""
    while len(header := file.read(8)) == 8:
        name, size = struct.unpack(f"{order}4sI", header)
        start = file.tell()
        yield name, size
        file.seek(start + size + size % 2)


def _with_length(file: BinaryIO, start: int, length: int) -> BinaryIO:
    """Return a copy of the file whose sound data is said to reach to its end.

    libsndfile reads nothing where the size was left at 0.
    """
    data = bytearray(file.read())
    order = ">" if bytes(data[:4]) in (b"RIFX", b"FORM") else "<"
    if bytes(data[:4]) in (b"RF64", b"BW64"):
        data[:4] = b"RIFF"
    data[4:8] = struct.pack(f"{order}I", len(data) - 8)
    data[start - 4 : start] = struct.pack(f"{order}I", length)
    return io.BytesIO(bytes(data))


def clipped_places(samples: NDArray[np.float32]) -> tuple[int, float]:
    """How many flat tops a channel has, and the share of its samples that lie in them.

    A channel is clipped where it has runs of three or more samples at its highest or lowest
    value with flanks too steep for a smooth peak (one run at full scale; five below it, where a
    preamp clipped before the converter), or where far more samples crowd at that value than
    just beneath it. Waves that are flat by nature (square waves) are taken for clipped ones.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full scale = 1.0. A channel with NaN or infinite samples has no flat tops.

    Returns
    -------
    places : int
    ratio : float
        0 to 1.

    Examples
    --------
    >>> wave = np.sin(np.arange(48_000) * 0.13)
    >>> clipped_places(wave)
    (0, 0.0)
    >>> places, ratio = clipped_places(np.minimum(2.0 * wave, 1.0))
    >>> places, round(ratio, 2)  # a sine is above half its height for a third of the time
    (994, 0.33)
    """
    places = inside = 0
    for signed in (samples, -samples):
        top = float(signed.max(initial=0.0))
        if not LOWEST_TOP <= top < np.inf:
            continue
        count, length = 0, 0
        if FULL_SCALE <= top <= 1.0:
            count, length = _flat_tops(signed, top, FLAT, fewest=1)
        if not count:
            count, length = _flat_tops(signed, top, max(FLAT_BELOW * top, FLAT), fewest=FEWEST)
        places += count
        inside += length
    return places, inside / max(len(samples), 1)


def _flat_tops(
    samples: NDArray[np.float32], top: float, flat: float, *, fewest: int
) -> tuple[int, int]:
    """Count of runs within `flat` of `top`, and their whole length; 0 if they may be peaks."""
    high = np.flatnonzero(samples >= top - flat)
    ends = np.flatnonzero(np.diff(high, append=len(samples) + 1) > 1)
    last = high[ends]
    first = high[np.concatenate(([0], ends[:-1] + 1))]
    length = last - first + 1
    aside = (length + 1) // 2
    before = samples[np.maximum(first - aside, 0)]
    after = samples[np.minimum(last + aside, len(samples) - 1)]
    steep = top - np.minimum(before, after) > STEEP * flat
    clipped = np.count_nonzero(steep & (length >= SHORTEST_FLAT)) >= fewest
    if not clipped and len(first) >= FEWEST:
        # A steady tone can put samples at its very peaks and few beneath, but evenly in time.
        apart = np.diff(first)
        crowded = len(high) > CROWDED * np.count_nonzero(samples >= top - WIDE * flat)
        clipped = crowded and apart.std() > UNEVEN * apart.mean()
    return (len(length), len(high)) if clipped else (0, 0)


def clipping_problem(places: int) -> Problem | None:
    """Tell about a channel with so many flat tops; None if it has none.

    Examples
    --------
    >>> print(clipping_problem(3).text)
    Clipped at 3 places. Lower the preamp, then record every take again: they must share one gain.
    """
    if places == 0:
        return None
    where = "one place" if places == 1 else f"{places} places"
    return Problem(
        "clipped",
        f"Clipped at {where}. "
        "Lower the preamp, then record every take again: they must share one gain.",
    )
