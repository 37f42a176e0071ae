"""Which sound devices there are, and which one a name means.

`present_devices()` and `open_streams()` are the only places that know PortAudio; they run in the
sound process. `find_device()` chooses among what is there.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from evenhall.errors import DeviceError, InputError

if TYPE_CHECKING:
    from evenhall.sound.live.engine import Engine

__all__ = ["Device", "find_device", "open_streams", "present_devices"]

NO_LIBRARY = (
    "No sound devices: the PortAudio library is not installed. On Debian or Ubuntu: "
    "sudo apt-get install libportaudio2. Everything that needs no device works without it."
)
# PortAudio's error codes, portaudio.h.
INVALID_CHANNELS, INVALID_RATE, INVALID_DEVICE, UNAVAILABLE = -9998, -9997, -9996, -9985
BLOCK_S = 0.01  # asked for where the host leaves the choice: a stop is heard within two of them

Way = Literal["input", "output"]


@dataclass(frozen=True)
class Device:
    """A sound device of this computer.

    Parameters
    ----------
    number : int
        For this session of the computer only: another may have it tomorrow.
    name, host : str
        What the system calls it, and through which of its interfaces it is reached.
    inputs, outputs : int
        Channels.
    rate_hz : float
        Usual sample rate.
    is_default_input, is_default_output : bool
        Whether the system would choose it.
    """

    number: int
    name: str
    host: str
    inputs: int
    outputs: int
    rate_hz: float
    is_default_input: bool
    is_default_output: bool

    @property
    def full_name(self) -> str:
        """Name that tells it from the same device reached in another way."""
        return f"{self.name} ({self.host})"


def find_device(devices: Sequence[Device], wanted: str | None, way: Way) -> Device:
    """Choose the device that a name, a part of it, or a number means.

    Parameters
    ----------
    devices : sequence of Device
    wanted : str or None
        None means the system's own choice.
    way : {"input", "output"}
        Which way the sound shall go.

    Raises
    ------
    InputError
        No device is meant, or more than one.
    """
    able = [d for d in devices if (d.inputs if way == "input" else d.outputs) > 0]
    if not able:
        raise DeviceError(f"There is no sound {way} on this computer. Plug the interface in.")
    if wanted is None:
        default = [d for d in able if getattr(d, f"is_default_{way}")]
        return (default or able)[0]
    low = wanted.strip().lower()
    rules = (
        lambda d: str(d.number) == low,
        lambda d: d.full_name.lower() == low,
        lambda d: d.name.lower() == low,
        lambda d: low in d.full_name.lower(),
    )
    meant: list[Device] = []
    for rule in rules:
        meant = [d for d in able if rule(d)]
        if meant:
            break
    if len(meant) == 1:
        return meant[0]
    choice = ", ".join(f'{d.number} "{d.full_name}"' for d in meant or able)
    if not meant:
        raise InputError(
            f'No {way} is called "{wanted}". There are: {choice}. Give a number or part of a name.'
        )
    raise InputError(f'"{wanted}" may be any {way} of {choice}. Give a number or more of the name.')


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep what sound libraries print about interfaces that are not there off the screen."""
    sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def _portaudio() -> Any:
    try:
        with _quiet():
            import sounddevice
    except OSError as error:
        raise DeviceError(NO_LIBRARY) from error
    return sounddevice


@contextmanager
def _portaudio_errors(what: str) -> Iterator[None]:
    """Turn the library's errors into lines that say what to do."""
    sounddevice = _portaudio()
    try:
        yield
    except sounddevice.PortAudioError as error:
        code = error.args[1] if len(error.args) > 1 else 0
        cause = {
            INVALID_CHANNELS: "has not that many channels. See `evenhall devices`",
            INVALID_RATE: "does not run at that sample rate. Give another --rate",
            INVALID_DEVICE: "is not there any more. Plug it in again",
            UNAVAILABLE: "is used by another program. Close that and try again",
        }.get(code, f"could not be opened ({str(error.args[0]).split(' [')[0]})")
        raise DeviceError(f"{what} {cause}.") from error


def present_devices() -> tuple[Device, ...]:
    """List the devices that are there now.

    Raises
    ------
    DeviceError
        The PortAudio library is missing.
    """
    sounddevice = _portaudio()
    with _portaudio_errors("The sound system"):
        hosts = sounddevice.query_hostapis()
        default_in, default_out = _defaults(hosts)
        return tuple(
            Device(
                number=number,
                name=info["name"],
                host=hosts[info["hostapi"]]["name"],
                inputs=info["max_input_channels"],
                outputs=info["max_output_channels"],
                rate_hz=info["default_samplerate"],
                is_default_input=number == default_in,
                is_default_output=number == default_out,
            )
            for number, info in enumerate(sounddevice.query_devices())
        )


def _defaults(hosts: Sequence[dict[str, Any]]) -> tuple[int, int]:
    """Return the first host interface's own choice: PortAudio puts the system's usual one first."""
    inputs = [host["default_input_device"] for host in hosts if host["default_input_device"] >= 0]
    outputs = [
        host["default_output_device"] for host in hosts if host["default_output_device"] >= 0
    ]
    return (inputs or [-1])[0], (outputs or [-1])[0]


def open_streams(engine: Engine, order: dict[str, Any]) -> list[Any]:
    """Open the devices of an order and let `engine` serve them.

    One device for both ways makes one stream, in which what is sent and what is heard share one
    clock and one count. Two devices make two.

    Parameters
    ----------
    engine : Engine
    order : dict
        `input` and `output` (number of a device or None), `inputs`, `outputs` (channels),
        `rate_hz`, `input_name` and `output_name`.

    Raises
    ------
    DeviceError
    """
    sounddevice = _portaudio()

    def both(heard: Any, out: Any, _frames: int, time: Any, status: Any) -> None:
        sent = engine.give(out)
        lost = status.input_overflow or status.output_underflow or status.input_underflow
        engine.take(heard, sent, time_s=time.inputBufferAdcTime, dropped=lost)

    def only_in(heard: Any, _frames: int, time: Any, status: Any) -> None:
        lost = status.input_overflow or status.input_underflow
        engine.take(heard, time_s=time.inputBufferAdcTime, dropped=lost)

    def only_out(out: Any, _frames: int, _time: Any, _status: Any) -> None:
        engine.give(out)

    common = {"samplerate": order["rate_hz"], "dtype": "float32", "blocksize": 0}
    source, sink = order["input"], order["output"]
    streams: list[Any] = []
    # Short enough to stop at once, long enough not to stutter.
    latency = 2.0 * BLOCK_S
    if source == sink:
        with _portaudio_errors(f'"{order["input_name"]}"'), _quiet():
            streams.append(
                sounddevice.Stream(
                    device=(source, sink),
                    channels=(order["inputs"], order["outputs"]),
                    latency=(latency, latency),
                    callback=both,
                    **common,
                )
            )
        return streams
    with _portaudio_errors(f'"{order["input_name"]}"'), _quiet():
        streams.append(
            sounddevice.InputStream(
                device=source,
                channels=order["inputs"],
                latency=latency,
                callback=only_in,
                **common,
            )
        )
    if sink is not None:
        with _portaudio_errors(f'"{order["output_name"]}"'), _quiet():
            streams.append(
                sounddevice.OutputStream(
                    device=sink,
                    channels=order["outputs"],
                    latency=latency,
                    callback=only_out,
                    **common,
                )
            )
    return streams
