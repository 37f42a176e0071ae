"""Which sound devices there are, and which one a name means.

`present_devices()` and `open_streams()` are the only places that know PortAudio; they run in the
sound process. `find_device()` chooses among what is there. On a sound server also programs can be
played into and recorded from: they are told from devices, and chosen only by their name or number.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

from evenhall.errors import DeviceError, InputError
from evenhall.sound.live.engine import Engine
from evenhall.words import listed

__all__ = ["Device", "find_device", "open_streams", "present_devices"]

NO_LIBRARY = (
    "No sound devices: the PortAudio library is not installed. On Debian or Ubuntu: "
    "sudo apt-get install libportaudio2. Everything that needs no device works without it."
)
# PortAudio's error codes, portaudio.h.
INVALID_CHANNELS, INVALID_RATE, INVALID_DEVICE, UNAVAILABLE = -9998, -9997, -9996, -9985
JACK = "JACK Audio Connection Kit"
JACK_DEVICE = "system"  # what a JACK server calls its own device; all else on it are programs
# Where every program gets the one rate that the system has set (JACK; WASAPI in shared mode, from
# memory). Elsewhere a device is set to the rate that a program asks for.
ONE_RATE_HOSTS = (JACK, "Windows WASAPI")
USUAL_RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
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
    is_program : bool
        Whether it is a program on a sound server, and no device.
    """

    number: int
    name: str
    host: str
    inputs: int
    outputs: int
    rate_hz: float
    is_default_input: bool
    is_default_output: bool
    is_program: bool = False

    @property
    def has_one_rate(self) -> bool:
        """Whether it runs at its usual rate and at no other."""
        return self.host in ONE_RATE_HOSTS

    @property
    def full_name(self) -> str:
        """Name that tells it from the same device reached in another way."""
        return f"{self.name} ({self.host})"


def find_device(devices: Sequence[Device], wanted: str | None, way: Way) -> Device:
    """Choose the device that a name, a part of it, or a number means.

    Parameters
    ----------
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
    real = [d for d in able if not d.is_program]
    if wanted is None or not able:
        if not real:
            raise DeviceError(f"There is no sound {way} on this computer. Plug the interface in.")
        default = [d for d in real if getattr(d, f"is_default_{way}")]
        return (default or real)[0]
    low = wanted.strip().lower()
    rules = (
        lambda d: str(d.number) == low,
        lambda d: d.full_name.lower() == low,
        lambda d: d.name.lower() == low,
        lambda d: low in d.full_name.lower() and not d.is_program,
        lambda d: low in d.full_name.lower(),
    )
    meant: list[Device] = []
    for rule in rules:
        meant = [d for d in able if rule(d)]
        if meant:
            break
    if len(meant) == 1:
        return meant[0]
    choice = _named(meant or able)
    if not meant:
        raise InputError(
            f'No {way} is called "{wanted}". There are: {choice}. Give a number or part of a name.'
        )
    raise InputError(f'"{wanted}" may be any {way} of {choice}. Give a number or more of the name.')


def _named(devices: Sequence[Device]) -> str:
    """Name devices, and behind them programs."""
    parts = [
        ", ".join(f'{d.number} "{d.full_name}"' for d in devices if d.is_program is program)
        for program in (False, True)
    ]
    if parts[1]:
        parts[1] = f"programs on the sound server: {parts[1]}"
    return "; ".join(part for part in parts if part)


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
def _portaudio_errors(what: str, wrong_rate: Callable[[], str] | None = None) -> Iterator[None]:
    """Turn the library's errors into lines that say what to do; a wrong rate is looked into."""
    sounddevice = _portaudio()
    try:
        yield
    except sounddevice.PortAudioError as error:
        code = error.args[1] if len(error.args) > 1 else 0
        cause = {
            INVALID_CHANNELS: "has fewer channels than that. See `evenhall devices`",
            INVALID_DEVICE: "is gone. Plug it in again",
            UNAVAILABLE: "is used by another program. Close that and try again",
        }.get(code, f"could not be opened ({str(error.args[0]).split(' [')[0]})")
        if code == INVALID_RATE and wrong_rate is not None:
            cause = wrong_rate()
        raise DeviceError(f"{what} {cause}.") from error


def _wrong_rate(number: int, order: dict[str, Any], *, inputs: int = 0, outputs: int = 0) -> str:
    """Say at which rates a device does run, once it has refused the one of an order."""
    sounddevice = _portaudio()
    runs_at: list[int] = []
    for rate_hz in USUAL_RATES_HZ:
        try:
            if inputs:
                sounddevice.check_input_settings(number, inputs, "float32", samplerate=rate_hz)
            if outputs:
                sounddevice.check_output_settings(number, outputs, "float32", samplerate=rate_hz)
        except sounddevice.PortAudioError:
            continue
        runs_at.append(rate_hz)
    asked_hz = order["rate_hz"]
    if not runs_at:
        return f"does not run at {asked_hz} Hz. Give another --rate"
    rates = listed(list(map(str, runs_at)), "or")
    return (
        f"runs at {rates} Hz, not at {asked_hz}. Choose that with `evenhall devices --rate "
        f"{runs_at[0]}`, or set the device itself to {asked_hz} Hz"
    )


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
        found = [(hosts[one["hostapi"]]["name"], one) for one in sounddevice.query_devices()]
        # Where a server's own device goes by another name nothing tells it from a program.
        told_apart = (JACK, JACK_DEVICE) in [(host, one["name"]) for host, one in found]
        return tuple(
            Device(
                number=number,
                name=info["name"],
                host=host,
                inputs=info["max_input_channels"],
                outputs=info["max_output_channels"],
                rate_hz=info["default_samplerate"],
                is_default_input=number == default_in,
                is_default_output=number == default_out,
                is_program=told_apart and host == JACK and info["name"] != JACK_DEVICE,
            )
            for number, (host, info) in enumerate(found)
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
    inputs, outputs = order["inputs"], order["outputs"]
    if source == sink:
        with (
            _portaudio_errors(
                f'"{order["input_name"]}"',
                lambda: _wrong_rate(source, order, inputs=inputs, outputs=outputs),
            ),
            _quiet(),
        ):
            streams.append(
                sounddevice.Stream(
                    device=(source, sink),
                    channels=(inputs, outputs),
                    latency=(latency, latency),
                    callback=both,
                    **common,
                )
            )
        return streams
    with (
        _portaudio_errors(
            f'"{order["input_name"]}"', lambda: _wrong_rate(source, order, inputs=inputs)
        ),
        _quiet(),
    ):
        streams.append(
            sounddevice.InputStream(
                device=source,
                channels=inputs,
                latency=latency,
                callback=only_in,
                **common,
            )
        )
    if sink is not None:
        with (
            _portaudio_errors(
                f'"{order["output_name"]}"', lambda: _wrong_rate(sink, order, outputs=outputs)
            ),
            _quiet(),
        ):
            streams.append(
                sounddevice.OutputStream(
                    device=sink,
                    channels=outputs,
                    latency=latency,
                    callback=only_out,
                    **common,
                )
            )
    return streams
