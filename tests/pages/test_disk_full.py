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
def house(tmp_path_factory):
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


def files_of(house) -> set[Path]:
    return {path for path in house.house.store.folder.rglob("*") if path.is_file()}


def a_take(house) -> bytes:
    return next(house.folder.glob("takes/*")).read_bytes()


ASKED = {
    "export": lambda house: ("GET", "folder.zip", {}),
    "import": lambda house: ("POST", "../import", {"files": {"file": ("a.zip", demo_zip())}}),
    "take": lambda house: (
        "POST",
        "takes/upload",
        {"data": {"side": "left", "spot": "front"}, "files": {"file": ("a.wav", a_take(house))}},
    ),
}


@pytest.mark.parametrize("what", ASKED)
@pytest.mark.parametrize("size", [NEARLY_FULL, FULL])
def test_what_does_not_fit_is_told_leaves_nothing_and_goes_once_there_is_room(house, what, size):
    method, path, options = ASKED[what](house)
    address = "/api/visits/import" if what == "import" else f"/api/visits/{house.visit}/{path}"
    before = files_of(house)
    visits = ask(house.app, "GET", "/api/visits").json()
    with disk_of(size):
        answer = ask(house.app, method, address, **options)
    assert answer.status_code == 507
    assert "Make room" in answer.json()["faults"][0]
    assert {path for path in files_of(house) - before if "sqlite3" not in path.name} == set()
    assert not list(Path(tempfile.gettempdir()).iterdir())
    assert ask(house.app, "GET", "/api/visits").json() == visits
    method, path, options = ASKED[what](house)
    assert ask(house.app, method, address, **options).status_code in (200, 201)


def test_an_entry_that_cannot_be_written_is_not_acknowledged(house):
    address = f"/api/visits/{house.visit}/entries/note.hall"
    with disk_of(FULL):
        answer = ask(house.app, "PUT", address, json={"value": "x" * 4000, "was": None})
    assert answer.status_code == 507
    entries = ask(house.app, "GET", f"/api/visits/{house.visit}").json()["entries"]
    assert "note.hall" not in entries
    again = ask(house.app, "PUT", address, json={"value": "x" * 4000, "was": None})
    assert again.status_code == 200
