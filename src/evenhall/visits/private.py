"""The store is its user's alone: `tighten()` takes from others what an older version gave them."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

__all__ = ["FILE_MODE", "FOLDER_MODE", "tighten"]

FOLDER_MODE, FILE_MODE = 0o700, 0o600


def tighten(folder: Path, ours: Collection[str]) -> None:
    """Keep all others out of what is ours in a folder, by its names.

    The folder itself is kept to its user only where nothing else lies in it: somebody may have
    given one that serves for more.
    """
    names = {one.name for one in folder.iterdir()}
    if names <= set(ours):
        _keep(folder)
    for name in names & set(ours):
        _keep(folder / name)
        for path in (folder / name).rglob("*"):
            _keep(path)


def _keep(path: Path) -> None:
    # Gone meanwhile, or on a disk of somebody else's: there is nothing to be done about it.
    with suppress(FileNotFoundError, PermissionError):
        if path.is_symlink():
            return
        mode = FOLDER_MODE if path.is_dir() else FILE_MODE
        if path.stat().st_mode & 0o777 != mode:
            path.chmod(mode)
