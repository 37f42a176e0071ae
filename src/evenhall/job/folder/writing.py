"""Files written whole or not at all: what stood there before stays until all new ones are ready.

`write_result()` writes a result, `write_whole()` any set of files that belong together.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path

from evenhall.disk import give_name, make_folder, sync_file
from evenhall.errors import StoreError

__all__ = ["RESULT_FILE", "SHEET_FILE", "write_result", "write_whole"]

RESULT_FILE = "result.json"
SHEET_FILE = "sheet.pdf"


def write_result(out_dir: Path, result_json: bytes, sheet_pdf: bytes) -> None:
    """Write result.json and sheet.pdf into `out_dir`, both or neither; see `write_whole()`."""
    write_whole({out_dir / SHEET_FILE: sheet_pdf, out_dir / RESULT_FILE: result_json})


def write_whole(contents: Mapping[Path, bytes]) -> None:
    """Write files that belong together, all or none; missing folders are made.

    Parameters
    ----------
    contents : mapping of Path to bytes
        What each file is to hold. A file that exists is replaced.

    Raises
    ------
    StoreError
        One could not be written; all that stood there before still does.
    """
    parts = {path: _beside(path, "part") for path in contents}
    olds = {path: _beside(path, "old") for path in contents}
    path = next(iter(contents))
    try:
        for path, content in contents.items():
            make_folder(path.parent)
            _write_part(parts[path], content)
            if path.exists():
                shutil.copyfile(path, olds[path])
        replaced: list[Path] = []
        try:
            for path, part in parts.items():
                give_name(part, path)
                replaced.append(path)
        except BaseException:
            _put_back(replaced, olds)
            raise
    except OSError as error:
        what = error.strerror or str(error)
        raise StoreError(
            f"{path}: could not be written ({what}). Make room, close what has it open, "
            "or give another place; what was there before is unchanged."
        ) from error
    finally:
        _remove([*parts.values(), *olds.values()])


def _beside(path: Path, kind: str) -> Path:
    # The process number keeps two runs on one folder out of each other's way.
    return path.with_name(f".{path.name}.{os.getpid()}.{kind}")


def _write_part(part: Path, content: bytes) -> None:
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        # On the disk before the old file goes: after a power cut either one is whole.
        sync_file(file.fileno())


def _put_back(replaced: Iterable[Path], olds: Mapping[Path, Path]) -> None:
    for path in replaced:
        if olds[path].exists():
            give_name(olds[path], path)
        else:
            path.unlink()


def _remove(paths: Iterable[Path]) -> None:
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError:
            continue  # its folder was never made, or is no folder: nothing to remove
