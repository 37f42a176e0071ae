"""What happens in a sound callback, without any device. Start at `Engine`.

It plays what the asker wrote into the shared memory and writes back what it hears. It is safe by
itself: nothing passes the ceiling, and it fades out when told to, when the asker ends or shows no
sign of life for two seconds, and after a time limit.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from evenhall.sound.live.exchange import LOST_LOG, Exchange

__all__ = ["FADE_S", "LEASE_S", "Engine", "fade_out"]

Float32Array = NDArray[np.float32]

# The asker must show a sign of life this often, or the sound fades out.
LEASE_S = 2.0
# A sound that is stopped ends in a fade this long: no thump into the drivers.
FADE_S = 0.005
LONGEST_BLOCK = 16_384
# A callback this much later than the one before foretold has lost something in between.
GAP_SHARE, SMALLEST_GAP_S = 0.6, 0.004
# No driver keeps sound for so long: a block that is later by the computer's own clock has lost
# some, and a larger gap in the device's time that this clock does not know is a clock being set.
LATE_S = 0.5

FINISHED, STOPPED, ASKER_GONE, TOO_LONG = 1, 2, 3, 4
DROPPED, GAP, UNREAD = 1, 2, 3


def fade_out(rate_hz: float) -> Float32Array:
    """Gain over the fade in which a sound ends that is stopped, down to nothing."""
    n = max(1, round(FADE_S * rate_hz))
    return np.asarray(np.cos(0.5 * np.pi * np.arange(1, n + 1) / n).astype(np.float32) ** 2)


def awake_or_not_s() -> float:
    """Seconds that nobody can set; those that the computer slept are among them."""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC)  # Python's own stands still in sleep there
    return time.monotonic()  # counts on in sleep, on Windows


class Engine:
    """What the sound callback does: copy and count. No lock, no file, no list that grows.

    Parameters
    ----------
    limit_s : float
        No sound lasts longer.
    ceiling : float
        Highest magnitude of a sample that is sent, full scale = 1.0.
    lease_s : float
        Longest time without a sign of life from the asker.
    clock : callable
        Seconds, any origin; nobody can set it, and it runs while the computer sleeps.
    """

    def __init__(
        self,
        exchange: Exchange,
        *,
        rate_hz: float,
        limit_s: float,
        ceiling: float,
        lease_s: float = LEASE_S,
        clock: Callable[[], float] = awake_or_not_s,
    ) -> None:
        assert ceiling >= 0.0, "a ceiling that is no number would let everything pass"
        self._asked, self._told = exchange.asked, exchange.told
        self._ring, self._programme = exchange.ring, exchange.programme
        self._lost_log = exchange.lost_log
        self._rate_hz = rate_hz
        self._lease = round(lease_s * rate_hz)
        self._limit = round(limit_s * rate_hz)
        self._ceiling = np.float32(ceiling)
        self._clock, self._taken_s = clock, float("nan")
        self._let_go = False
        self._fade = fade_out(rate_hz)
        self._sent = np.zeros(LONGEST_BLOCK, dtype=np.float32)
        self._heartbeat = self._silent_for = 0
        self._play_seen = int(self._asked["play"])
        self._playing = False
        self._length = self._played = self._faded = self._ending = 0
        self._outputs: tuple[int, ...] = ()
        self._written = 0
        self._next_time_s = float("nan")

    @property
    def silent(self) -> bool:
        """Whether nothing plays."""
        return not self._playing

    @property
    def asker_gone(self) -> bool:
        """Whether the asker was let go."""
        return self._let_go

    def let_go(self) -> None:
        """Fade out in the next block, and begin nothing more: the asker is gone for good."""
        self._let_go = True

    def give(self, out: Float32Array) -> Float32Array:
        """Fill a block that goes to the output device.

        Parameters
        ----------
        out : ndarray, shape (n_frames, n_channels)

        Returns
        -------
        ndarray, shape (n_frames,)
            What was sent.
        """
        n = len(out)
        out.fill(0.0)
        sent = self._sent[:n]
        sent.fill(0.0)
        heartbeat = int(self._asked["heartbeat"])
        self._silent_for = 0 if heartbeat != self._heartbeat else self._silent_for + n
        self._heartbeat = heartbeat
        if not self._playing:
            self._begin(out.shape[1])
        if self._playing:
            self._sound(sent)
            # The last line before the device, whatever was asked for.
            np.nan_to_num(sent, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
            np.clip(sent, -self._ceiling, self._ceiling, out=sent)
            for channel in self._outputs:
                out[:, channel] = sent
        return sent

    def _begin(self, n_channels: int) -> None:
        play = int(self._asked["play"])
        if play == self._play_seen:
            return
        self._play_seen = play
        if int(self._asked["stop"]) >= play:  # stopped before it began
            self._end(STOPPED)
            return
        if self._let_go:
            self._end(ASKER_GONE)
            return
        mask = int(self._asked["outputs"])
        self._outputs = tuple(k for k in range(n_channels) if mask >> k & 1)
        self._length = min(int(self._asked["length"]), self._programme.size)
        self._played = self._faded = self._ending = 0
        self._playing = True
        self._told["played"][...] = 0
        self._told["begun"][...] = play

    def _sound(self, sent: Float32Array) -> None:
        n = min(sent.size, self._length - self._played)
        sent[:n] = self._programme[self._played : self._played + n]
        if not self._ending:
            self._ending = self._reason_to_end()
        if self._ending:
            fade = self._fade[self._faded : self._faded + sent.size]
            sent[: fade.size] *= fade
            sent[fade.size :] = 0.0
            self._faded += fade.size
        self._played += n
        self._told["played"][...] = self._played
        if self._played >= self._length and not self._ending:
            self._end(FINISHED)
        elif self._ending and (self._faded >= self._fade.size or self._played >= self._length):
            self._end(self._ending)

    def _reason_to_end(self) -> int:
        if int(self._asked["stop"]) >= self._play_seen:
            return STOPPED
        if self._let_go or self._silent_for > self._lease:
            return ASKER_GONE
        return TOO_LONG if self._played >= self._limit else 0

    def _end(self, why: int) -> None:
        self._playing = False
        self._told["ended"][...] = why
        self._told["done"][...] = self._play_seen

    def take(
        self,
        heard: Float32Array,
        sent: Float32Array | None = None,
        *,
        time_s: float = float("nan"),
        dropped: bool = False,
    ) -> None:
        """Keep a block that came from the input device.

        Parameters
        ----------
        heard : ndarray, shape (n_frames, n_channels)
        sent : ndarray, shape (n_frames,), optional
            What `give()` sent in the same callback; leave it out where another clock plays.
        time_s : float
            When the first frame was converted, by the device's clock; nan if it has none.
        dropped : bool
            Whether the device says that something was lost.
        """
        n = len(heard)
        gap_s, now_s = time_s - self._next_time_s, self._clock()
        late_s, self._taken_s = now_s - self._taken_s - n / self._rate_hz, now_s
        if gap_s - late_s > LATE_S:
            gap_s = 0.0
        self._next_time_s = time_s + n / self._rate_hz if time_s > 0.0 else float("nan")
        if dropped:
            self._lose(DROPPED)
        elif late_s > LATE_S or gap_s > max(SMALLEST_GAP_S, GAP_SHARE * n / self._rate_hz):
            self._lose(GAP)
        size = len(self._ring)
        if self._written + n - int(self._asked["read"]) > size:
            self._lose(UNREAD)
            return
        start = self._written % size
        first = min(n, size - start)
        self._copy(start, heard[:first], None if sent is None else sent[:first])
        if first < n:
            self._copy(0, heard[first:], None if sent is None else sent[first:])
        self._written += n
        self._told["written"][...] = self._written

    def _copy(self, start: int, heard: Float32Array, sent: Float32Array | None) -> None:
        rows = self._ring[start : start + len(heard)]
        inputs = rows.shape[1] - 1
        rows[:, :inputs] = heard[:, :inputs]
        rows[:, inputs] = 0.0 if sent is None else sent

    def _lose(self, kind: int) -> None:
        count = int(self._told["lost"])
        self._lost_log[count % LOST_LOG] = self._written, kind
        self._told["lost"][...] = count + 1
