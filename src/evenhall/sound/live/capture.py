"""Record microphone and reference while something plays, or while the room is quiet.

`listen()` only hears the microphone, for as long as it is wanted, and keeps nothing. Start at
`capture()`. It reads what comes in, keeps the sound alive, looks for an input that has
gone dead, and ends when the sound has ended and rung out, when enough was heard, or when told to.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import HIGHEST_SAMPLE
from evenhall.errors import DeviceError
from evenhall.sound.live.open_devices import Lost, OpenDevices

__all__ = ["Captured", "capture", "listen"]

Float32Array = NDArray[np.float32]

POLL_S = 0.02  # stop is looked for as often
LISTEN_S = 0.1  # where nothing plays that would have to be stopped
DEAD_S = 0.5  # a real input is never at zero for so long: its converter has noise
# A running take is looked at for the first time after so long, and then as often.
FIRST_LOOK_S, LOOK_EVERY_S = 4.0, 2.0


@dataclass(frozen=True)
class Captured:
    """What was recorded.

    Parameters
    ----------
    microphone : ndarray, shape (n_frames,)
        Full scale = 1.0.
    reference : ndarray or None, shape (n_frames,)
        None where what was sent runs on another clock, or nothing was asked for.
    sent : ndarray, shape (n_frames,)
        What went out in the same callbacks, not late by anything; zeros with two clocks.
    lost : tuple of Lost
        Places at which sound was lost, in frames of this recording.
    ended : str
        "finished", "enough", or "stopped" by the person.
    """

    microphone: Float32Array
    reference: Float32Array | None
    sent: Float32Array
    lost: tuple[Lost, ...]
    ended: str


class _Reference:
    """The column that serves as reference, late by the device's own delay."""

    def __init__(self, live: OpenDevices) -> None:
        setup = live.setup
        self._channel = setup.reference_channel - 1
        self._inside = setup.reference == "inside"
        self.known = live.one_clock or not self._inside
        delay = setup.latency_s or 0.0
        self._late = np.zeros(round(delay * live.rate_hz), dtype=np.float32)

    def of(self, inputs: Float32Array, sent: Float32Array) -> Float32Array:
        if not self._inside:
            return inputs[:, self._channel]
        waiting = np.concatenate([self._late, sent])
        self._late = waiting[sent.size :]
        return waiting[: sent.size]


class _DeadInput:
    """Watches for an input that delivers no numbers, or sound and then nothing at all."""

    def __init__(self, rate_hz: float, then: str) -> None:
        self._rate_hz, self._then = rate_hz, then
        self._frames = 0
        self._last_sound: int | None = None

    def look(self, block: Float32Array) -> None:
        # NaN compares to nothing, and fails this as infinity and absurd samples do.
        if not (np.abs(block) <= HIGHEST_SAMPLE).all():
            raise DeviceError(
                "The input delivers samples that are no numbers, or absurd ones: its driver is "
                "broken. Choose another device, or plug this one in again."
            )
        microphone = block[:, 0]
        sounding = np.flatnonzero(microphone)
        if sounding.size:
            self._last_sound = self._frames + int(sounding[-1])
        self._frames += microphone.size
        silent = 0 if self._last_sound is None else self._frames - self._last_sound
        if silent > DEAD_S * self._rate_hz:
            raise DeviceError(
                f"The microphone's input went dead {self._frames / self._rate_hz:.0f} s into the "
                f"recording. Check its cable and the input that was chosen, and {self._then}"
            )


def listen(
    live: OpenDevices,
    on_block: Callable[[Float32Array, int], None],
    *,
    stop_wanted: Callable[[], bool],
) -> None:
    """Hear the microphone until told to stop; nothing is kept.

    Parameters
    ----------
    on_block : callable
        Is given the microphone, shape (n_frames,), and at how many places sound was lost before
        its end; ten times a second.
    stop_wanted : callable
        Is asked as often.

    Raises
    ------
    DeviceError
        The device is gone, or the microphone's input went dead.
    """
    dead = _DeadInput(live.rate_hz, "start again; what was heard so far is safe.")
    live.read()
    live.lost()
    while not stop_wanted():
        time.sleep(LISTEN_S)
        live.keep_alive()
        microphone = live.read().inputs[:, live.setup.mic_channel - 1]
        dead.look(microphone[:, None])
        on_block(microphone, len(live.lost()))


def capture(
    live: OpenDevices,
    signal: NDArray[np.floating[Any]] | None = None,
    *,
    length_s: float,
    tail_s: float = 0.0,
    on_block: Callable[[Float32Array], None] | None = None,
    stop_wanted: Callable[[], bool] = lambda: False,
    enough: Callable[[Float32Array, Float32Array], bool] | None = None,
) -> Captured:
    """Record until the sound has ended and rung out.

    Parameters
    ----------
    live : OpenDevices
        Real or simulated ones.
    signal : ndarray, optional
        What to play; without it the room is recorded for `length_s`.
    length_s : float
        How long it takes, `tail_s` left aside.
    tail_s : float
        How much is recorded after the sound.
    on_block : callable, optional
        Is given every block as it comes, shape (n_frames, n_columns): microphone, and the
        reference where there is one.
    stop_wanted : callable
        Is asked some fifty times a second; the sound then ends at once.
    enough : callable, optional
        Is given microphone and reference so far, every two seconds, on a thread of its own; the
        sound ends once it says so.

    Returns
    -------
    Captured

    Raises
    ------
    DeviceError
        The device is gone, or the microphone's input went dead.
    """
    reference = _Reference(live)
    dead = _DeadInput(live.rate_hz, "record again; the takes made so far are safe.")
    live.read()
    live.lost()
    first_frame = live.read_frames
    blocks: list[Float32Array] = []
    sent: list[Float32Array] = []
    if signal is not None:
        live.play(signal)
    frames, length = 0, round(length_s * live.rate_hz)
    next_look = FIRST_LOOK_S
    ended, end_frame = "finished", None
    looking: Future[bool] | None = None
    with ThreadPoolExecutor(1) as looker:
        while end_frame is None or frames < end_frame:
            time.sleep(POLL_S)
            live.keep_alive()
            heard = live.read()
            microphone = heard.inputs[:, live.setup.mic_channel - 1]
            columns = [microphone]
            if reference.known:
                columns.append(reference.of(heard.inputs, heard.sent))
            block = np.stack(columns, axis=1)
            blocks.append(block)
            sent.append(heard.sent)
            frames += len(block)
            if on_block is not None:
                on_block(block)
            if end_frame is not None:
                continue
            over = not live.playing if signal is not None else frames >= length
            # Before the silence that follows is taken for a dead input.
            if over and signal is not None and live.ended != "finished":
                raise DeviceError(
                    "The sound ended by itself: the computer was too busy to look after it, or "
                    "asleep. Close other programs, and record again."
                )
            dead.look(block)
            if stop_wanted():
                live.stop()
                ended, end_frame = "stopped", frames
                continue
            if looking is not None and looking.done() and looking.result():
                live.stop()
                ended, over = "enough", True
            elif (
                enough is not None
                and reference.known
                and frames > next_look * live.rate_hz
                and (looking is None or looking.done())
            ):
                so_far = np.concatenate(blocks)
                looking = looker.submit(enough, *np.ascontiguousarray(so_far.T))
                next_look = frames / live.rate_hz + LOOK_EVERY_S
            if over:
                end_frame = frames + round(tail_s * live.rate_hz)
    whole = np.concatenate(blocks)
    return Captured(
        microphone=np.ascontiguousarray(whole[:, 0]),
        reference=np.ascontiguousarray(whole[:, 1]) if reference.known else None,
        sent=np.concatenate(sent),
        lost=tuple(
            Lost(lost.at_frame - first_frame, lost.how)
            for lost in live.lost()
            if lost.at_frame >= first_frame
        ),
        ended=ended,
    )
