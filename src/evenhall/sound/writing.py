"""Sound to the disk while it is recorded: a crash loses less than a second. Start at `TakeWriter`.

The sound goes into a file beside the wanted one, called ``.part``, and takes its name only once it
is whole. What a crash leaves is found by `leftovers()` and read as far as it goes.

Each block is with the operating system when `write()` returns; a thread sees it on to the disk.
"""

from __future__ import annotations

from pathlib import Path
from threading import Event, Thread
from types import TracebackType
from typing import Any, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from evenhall.disk import give_name, make_folder, sync_file
from evenhall.errors import StoreError

__all__ = ["PART", "TakeWriter", "leftovers"]

PART = ".part"
# RF64 has no limit of 4 GiB, and what a crash leaves of it can be read up to its last block.
FORM, SUBTYPE = "RF64", "PCM_24"
SYNC_EVERY_S = 0.5  # what a power cut may lose


class TakeWriter:
    """A sound file that is written as the sound comes: `with TakeWriter(path, ...) as writer:`.

    Leaving the block without `finish()` keeps what was written, as a part.

    Parameters
    ----------
    path : Path
        The file that it becomes, .wav; it must not exist. Folders are made.

    Raises
    ------
    StoreError
        The file exists, or cannot be made.
    """

    def __init__(self, path: Path, *, rate_hz: int, channels: int) -> None:
        self.path, self.part = path, path.with_name(path.name + PART)
        if path.exists():
            raise StoreError(f"{path}: exists already, and a take is never replaced.")
        try:
            make_folder(path.parent)
            self._file = soundfile.SoundFile(
                self.part, "w", samplerate=rate_hz, channels=channels, format=FORM, subtype=SUBTYPE
            )
        except OSError as error:
            raise self._failed(error.strerror or str(error)) from error
        except soundfile.LibsndfileError as error:
            raise self._failed(error.error_string) from error
        self._sync_fault: OSError | None = None
        self._over = Event()
        self._syncing = Thread(target=self._sync, daemon=True)
        self._syncing.start()

    def _sync(self) -> None:
        # On a thread of its own: a slow disk must keep nobody from the stop key.
        while not self._over.wait(SYNC_EVERY_S):
            try:
                # By its name: a part that was taken away with its folder is noticed here.
                _to_disk(self.part)
            except OSError as error:
                self._sync_fault = error
                return

    def _end_syncing(self) -> None:
        # Windows neither renames nor removes a file that a thread has open.
        self._over.set()
        self._syncing.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end_syncing()
        if not self._file.closed:
            empty = self._file.frames == 0
            self._file.close()
            if empty:
                self.part.unlink(missing_ok=True)

    def _failed(self, what: str) -> StoreError:
        return StoreError(
            f"{self.path}: the take could not be written ({what}). Make room or give another "
            "folder, and record it again; the takes made so far are safe."
        )

    def write(self, block: NDArray[np.floating[Any]]) -> None:
        """Add a block, shape (n_frames, n_channels), and hand it to the operating system.

        Raises
        ------
        StoreError
            The disk is full, or gone.
        """
        if self._sync_fault is not None:
            fault = self._sync_fault
            raise self._failed(fault.strerror or str(fault)) from fault
        try:
            self._file.write(block)
        except soundfile.LibsndfileError as error:
            raise self._failed(error.error_string) from error

    def discard(self) -> None:
        """Close the file and take it away: nobody wants it."""
        self._end_syncing()
        self._file.close()
        self.part.unlink(missing_ok=True)

    def finish(self) -> None:
        """Close the file, see it on the disk, and give it its name.

        Raises
        ------
        StoreError
            It could not be done; the part stays.
        """
        self._end_syncing()
        try:
            self._file.close()
            _to_disk(self.part)
            give_name(self.part, self.path)
        except OSError as error:
            raise self._failed(error.strerror or str(error)) from error
        except soundfile.LibsndfileError as error:
            raise self._failed(error.error_string) from error


def _to_disk(path: Path) -> None:
    with path.open("r+b") as file:
        sync_file(file.fileno())


def leftovers(place: Path) -> tuple[Path, ...]:
    """Parts of takes that were broken off, in the order of their names."""
    return tuple(sorted(place.glob(f"*{PART}"))) if place.is_dir() else ()
