"""Names that last: a file is there after a power cut once its folder is on the disk as well.

give_name()     what is whole takes its name, in place of what had it
make_folder()   a folder, and those above it
sync_file()     what was written into a file
sync_folder()   the names in a folder
refused()       what is no name for a file on this system
"""

from __future__ import annotations

import errno
import os
import re
import sys
import time
from contextlib import suppress
from pathlib import Path

__all__ = ["give_name", "make_folder", "refused", "sync_file", "sync_folder"]

USUAL_MODE = 0o777  # less what the user's mask takes away
# Some network disks see to names by themselves, and refuse to be asked.
NOT_ASKED = (errno.EINVAL, errno.ENOTSUP)
WINDOWS = os.name == "nt"
# Windows lets nobody rename what is open, and who looks for viruses opens what was just written.
PATIENCE_S, STEP_S = 1.0, 0.02
# Of Windows: devices with any ending, signs, and ends that it drops (Microsoft, Naming Files, Paths
# and Namespaces; from memory).
REFUSED = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3]) *(\..*)?"
    r'|.*[<>:"|?*\x00-\x1f].*|.*[. ]',
    re.IGNORECASE | re.DOTALL,
)


def refused(path: str) -> str | None:
    """Give the part of a path that is no name on this system; None where all are.

    Parameters
    ----------
    path : str
        From a folder on, its parts set apart by `/`.
    """
    if not WINDOWS:
        return None
    parts = (part for part in re.split(r"[/\\]", path) if part not in (".", ".."))
    return next(filter(REFUSED.fullmatch, parts), None)


def sync_file(number: int) -> None:
    """See an open file on to the disk."""
    if sys.platform == "darwin":
        import fcntl

        # There fsync() is content once the drive has it in its memory, which a power cut clears.
        with suppress(OSError):  # a disk that knows no such order
            fcntl.fcntl(number, fcntl.F_FULLFSYNC)
            return
    os.fsync(number)


def sync_folder(folder: Path) -> None:
    """See the names in a folder on to the disk."""
    if WINDOWS:
        return  # a folder cannot be opened there
    number = os.open(folder, os.O_RDONLY)
    try:
        sync_file(number)
    except OSError as error:
        if error.errno not in NOT_ASKED:
            raise
    finally:
        os.close(number)


def give_name(part: Path, path: Path) -> None:
    """Give what is whole, and on the disk, its name; what had it before is gone."""
    until_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            os.replace(part, path)
            break
        except PermissionError:
            if not WINDOWS or time.monotonic() > until_s:
                raise
        time.sleep(STEP_S)
    sync_folder(path.parent)


def make_folder(folder: Path, *, mode: int = USUAL_MODE) -> None:
    """Make a folder where there is none, and those above it."""
    if folder.is_dir():
        return
    make_folder(folder.parent, mode=mode)
    folder.mkdir(mode=mode, exist_ok=True)
    sync_folder(folder.parent)
