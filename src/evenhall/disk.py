"""Names that last: a file is there after a power cut once its folder is on the disk as well.

give_name()     what is whole takes its name, in place of what had it
make_folder()   a folder, and those above it
sync_folder()   the names in a folder
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

__all__ = ["give_name", "make_folder", "sync_folder"]

USUAL_MODE = 0o777  # less what the user's mask takes away
# Some network disks see to names by themselves, and refuse to be asked.
NOT_ASKED = (errno.EINVAL, errno.ENOTSUP)


def sync_folder(folder: Path) -> None:
    """See the names in a folder on to the disk."""
    if os.name == "nt":
        return  # a folder cannot be opened there
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    except OSError as error:
        if error.errno not in NOT_ASKED:
            raise
    finally:
        os.close(number)


def give_name(part: Path, path: Path) -> None:
    """Give what is whole, and on the disk, its name; what had it before is gone."""
    os.replace(part, path)
    sync_folder(path.parent)


def make_folder(folder: Path, *, mode: int = USUAL_MODE) -> None:
    """Make a folder where there is none, and those above it."""
    if folder.is_dir():
        return
    make_folder(folder.parent, mode=mode)
    folder.mkdir(mode=mode, exist_ok=True)
    sync_folder(folder.parent)
