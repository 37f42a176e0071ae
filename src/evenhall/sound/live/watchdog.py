"""Tell from the count of frames alone that a device is gone, or that its rate was changed."""

from __future__ import annotations

from evenhall.errors import DeviceError

__all__ = ["Watchdog", "device_gone"]

STALL_S = 1.0  # no block for that long: the device is gone
# The count of frames is held against the computer's clock, over this time at least.
RATE_AFTER_S, RATE_OFF = 3.0, 0.04


def device_gone(name: str) -> DeviceError:
    """Say that a device is gone."""
    return DeviceError(
        f'"{name}" stopped in the middle: it was pulled out, or its driver gave up. Plug it in '
        "again; the takes made so far are safe."
    )


class Watchdog:
    """Looks at the count of frames that came in, as often as somebody reads.

    Parameters
    ----------
    name : str
        The device's, for the words.
    rate_hz : float
        What it was asked to run at.
    now_s : float
        The computer's clock; any origin.
    """

    def __init__(self, name: str, rate_hz: float, now_s: float) -> None:
        self._name, self._rate_hz = name, rate_hz
        self._frames, self._seen_s = 0, now_s
        self._lost = 0
        self._since: tuple[int, float] | None = None

    def look(self, frames: int, *, lost: int, gone: bool, now_s: float) -> None:
        """Take in what the device has delivered by now.

        Parameters
        ----------
        frames : int
            Delivered in all.
        lost : int
            How often sound was lost in all: the count is begun anew after a loss.
        gone : bool
            Whether the sound process says so itself.

        Raises
        ------
        DeviceError
        """
        if frames != self._frames:
            self._frames, self._seen_s = frames, now_s
        if gone or now_s - self._seen_s > STALL_S:
            raise device_gone(self._name)
        if lost != self._lost or self._since is None:
            self._lost = lost
            self._since = (frames, now_s) if frames else None
            return
        frames_before, before_s = self._since
        if now_s - before_s < RATE_AFTER_S:
            return
        rate_hz = (frames - frames_before) / (now_s - before_s)
        if abs(rate_hz / self._rate_hz - 1.0) > RATE_OFF:
            raise DeviceError(
                f'"{self._name}" delivers {rate_hz:.0f} samples a second, not '
                f"{self._rate_hz:.0f}: another program changed its rate. Set the rate again, and "
                "start again."
            )
        if now_s - before_s > 2.0 * RATE_AFTER_S:
            self._since = frames, now_s
