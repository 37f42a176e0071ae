"""The errors a user can meet, with exit code and HTTP status of each. One hierarchy, few leaves."""

from __future__ import annotations

__all__ = [
    "DeviceError",
    "EvenhallError",
    "InputError",
    "StoreError",
    "exit_code",
    "http_status",
]


class EvenhallError(Exception):
    """What every error of ours is: its text is a line that the user can act on."""


class InputError(EvenhallError):
    """The folder, job.toml or an option is wrong.

    Parameters
    ----------
    faults : str
        One line a fault: where, what is wrong, what is allowed, what to do.
    """

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class StoreError(EvenhallError):
    """Something could not be read from or written to the disk."""


class DeviceError(EvenhallError):
    """A sound device is missing, busy, or gone."""


EXIT_CODES: dict[type[EvenhallError], int] = {InputError: 2, StoreError: 2, DeviceError: 4}
EXIT_NOTHING_USABLE = 3
# RFC 9110: Unprocessable Content, Insufficient Storage (RFC 4918), Service Unavailable.
HTTP_STATUS: dict[type[EvenhallError], int] = {InputError: 422, StoreError: 507, DeviceError: 503}


def exit_code(error: EvenhallError) -> int:
    """Exit code that a command ends with when it meets `error`."""
    return next(code for kind, code in EXIT_CODES.items() if isinstance(error, kind))


def http_status(error: EvenhallError) -> int:
    """Status that a request ends with when it meets `error`."""
    return next(status for kind, status in HTTP_STATUS.items() if isinstance(error, kind))
