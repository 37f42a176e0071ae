"""A disk that is full in the middle of something: it is said, nothing is lost, and it goes on.

The limit of a file's size (RLIMIT_FSIZE) stands for the disk: what would grow past it is refused
while it is written, as on a full disk, with another number of the error.
"""

from __future__ import annotations

import resource
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from apiroom import ask, demo_zip, opened

NEARLY_FULL, FULL = 2**20, 2**12  # the database still fits in the first


@pytest.fixture(scope="module")
def services(tmp_path_factory):
    folder = tmp_path_factory.mktemp("full")
    with pytest.MonkeyPatch.context() as patch, opened(folder / "data") as found:
        (folder / "tmp").mkdir()
        patch.setattr(tempfile, "tempdir", str(folder / "tmp"))
        yield found


@contextmanager
def disk_of(size: int):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def files_of(services) -> set[Path]:
    return {path for path in services.services.store.folder.rglob("*") if path.is_file()}


def a_take(services) -> bytes:
    return next(services.folder.glob("takes/*")).read_bytes()


ASKED = {
    "export": lambda services: ("GET", "folder.zip", {}),
    "import": lambda services: ("POST", "../import", {"files": {"file": ("a.zip", demo_zip())}}),
    "take": lambda services: (
        "POST",
        "takes/upload",
        {"data": {"side": "left", "spot": "front"}, "files": {"file": ("a.wav", a_take(services))}},
    ),
}


@pytest.mark.parametrize("what", ASKED)
@pytest.mark.parametrize("size", [NEARLY_FULL, FULL])
def test_what_does_not_fit_is_told_leaves_nothing_and_goes_once_there_is_room(services, what, size):
    method, path, options = ASKED[what](services)
    address = "/api/visits/import" if what == "import" else f"/api/visits/{services.visit}/{path}"
    before = files_of(services)
    visits = ask(services.app, "GET", "/api/visits").json()
    with disk_of(size):
        answer = ask(services.app, method, address, **options)
    assert answer.status_code == 507
    assert "Make room" in answer.json()["faults"][0]
    assert {path for path in files_of(services) - before if "sqlite3" not in path.name} == set()
    assert not list(Path(tempfile.gettempdir()).iterdir())
    assert ask(services.app, "GET", "/api/visits").json() == visits
    method, path, options = ASKED[what](services)
    assert ask(services.app, method, address, **options).status_code in (200, 201)


def test_an_entry_that_cannot_be_written_is_not_acknowledged(services):
    address = f"/api/visits/{services.visit}/entries/note.hall"
    with disk_of(FULL):
        answer = ask(services.app, "PUT", address, json={"value": "x" * 4000, "was": None})
    assert answer.status_code == 507
    entries = ask(services.app, "GET", f"/api/visits/{services.visit}").json()["entries"]
    assert "note.hall" not in entries
    again = ask(services.app, "PUT", address, json={"value": "x" * 4000, "was": None})
    assert again.status_code == 200
