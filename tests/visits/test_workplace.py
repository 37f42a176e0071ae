"""What a killed process leaves is taken away by the next, which touches nothing of one that lives.

Nobody but its user reads the store, and one whose file is gone keeps nothing more.
"""

import os
import signal
import subprocess
import sys

import pytest

from apiroom import ask, opened
from evenhall.errors import StoreError
from evenhall.visits.carrying import read_folder
from evenhall.visits.store import Store
from visits.made import everything, packed

# Each is killed, or waits, in the middle of what it does.
AT_WORK = """
import os, signal, sys, io, zipfile
from pathlib import Path
from evenhall.visits import carrying, store as stores
from evenhall.pages import uploads
from evenhall.pages.services import open_services

what, folder, source, then = sys.argv[1:]

def pause(*_):
    if then == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    print("at work", flush=True)
    sys.stdin.readline()

class Slow(io.BytesIO):
    def read(self, *size):
        if self.tell():
            pause()
        return super().read(*size)

services = open_services(Path(folder))
content = Path(source).read_bytes()
if what == "import":  # unpacked, but for the last file
    load = carrying.load_job
    carrying.load_job = lambda *a, **b: (pause(), load(*a, **b))[1]
    number = carrying.read_folder(services.store, io.BytesIO(content))
elif what == "visit":  # copied, and not entered yet
    enter = stores.Store._enter_visit
    stores.Store._enter_visit = lambda *a, **b: (pause(), enter(*a, **b))[1]
    number = carrying.read_folder(services.store, io.BytesIO(content))
elif what == "upload":
    number = services.new_own()
    uploads.keep_calibration(services, number, Slow(b"20 0\\n1000 0\\n"), name="mic.txt")
elif what == "claim":  # its name is claimed, and nothing stands there yet
    number = services.new_own()
    give = uploads.give_name
    uploads.give_name = lambda *a: (pause(), give(*a))[1]
    uploads.keep_calibration(services, number, io.BytesIO(b"20 0\\n1000 0\\n"), name="mic.txt")
elif what == "export":
    number = services.new_own()
    with services.store.workplace.fresh().open("xb") as file:
        file.write(b"zip")
        file.flush()
        pause()
print(number, flush=True)
"""


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "job.zip"
    path.write_bytes(packed(everything(tmp_path / "job")).getvalue())
    return path


def at_work(what, folder, source, then):
    return subprocess.Popen(
        [sys.executable, "-c", AT_WORK, what, str(folder), str(source), then],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ,
    )


def lasting(folder):
    """All that lies in a store and is not the database or a lock."""
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("visits.sqlite3") and path.suffix != ".lock"
    }


WORK = ("import", "visit", "upload", "claim", "export")


@pytest.mark.parametrize("what", WORK)
def test_what_a_killed_one_leaves_is_taken_away_by_the_next(tmp_path, source, what):
    folder = tmp_path / "store"
    with at_work(what, folder, source, "die") as process:
        assert process.wait(30) == -signal.SIGKILL
    left = {path for path in folder.rglob("*") if path.is_dir()}
    left |= {path for path in folder.rglob("*") if path.is_file()}
    assert left
    store = Store(folder)
    assert lasting(folder) == set()
    assert {path.name for path in (folder / "visits").glob("*")} == {
        store.visit(line.number).folder.name for line in store.visits()
    }
    assert len(list((folder / "work").glob("*.lock"))) == 1
    store.close()
    assert list((folder / "work").iterdir()) == []


@pytest.mark.parametrize("what", ["import", "visit"])
def test_what_another_is_at_is_left_alone(tmp_path, source, what):
    folder = tmp_path / "store"
    with at_work(what, folder, source, "wait") as process:
        try:
            assert process.stdout.readline() == "at work\n"
            before = lasting(folder)
            store = Store(folder)
            assert lasting(folder) == before
            out, _ = process.communicate("\n" * 1000, timeout=30)
            number = int(out.split()[-1])
            assert process.returncode == 0
        finally:
            process.kill()
    assert store.visit(number).unreadable == ()
    assert (store.visit(number).folder / "takes/delay-back.wav").is_file()
    store.close()


def test_recordings_of_a_visit_stay_when_the_database_is_moved_away(tmp_path, source):
    folder = tmp_path / "store"
    store = Store(folder)
    with source.open("rb") as file:
        read_folder(store, file)
    store.close()
    (folder / "visits.sqlite3").rename(tmp_path / "away")
    before = lasting(folder)
    assert before
    Store(folder).close()
    assert lasting(folder) == before


@pytest.mark.parametrize("ending", ["", "-wal"])
@pytest.mark.parametrize("replaced", [False, True])
def test_write_after_the_database_was_taken_away_is_not_acknowledged(tmp_path, ending, replaced):
    with opened(tmp_path / "store", demo=False) as made:
        number = made.services.new_own()
        path = tmp_path / f"store/visits.sqlite3{ending}"
        path.unlink()
        if replaced:
            path.touch()
        answer = ask(
            made.app, "PUT", f"/api/visits/{number}/entries/note.a", json={"value": "kept?"}
        )
        assert answer.status_code == 507
        (line,) = answer.json()["faults"]
        assert "was taken away while Evenhall was open" in line
        with pytest.raises(StoreError, match="was taken away"):
            made.services.new_own()


def test_store_that_was_open_to_others_is_closed_to_them(tmp_path, source):
    folder = tmp_path / "store"
    store = Store(folder)
    with source.open("rb") as file:
        read_folder(store, file)
    store.close()
    outside = tmp_path / "outside.wav"
    outside.write_bytes(b"")
    (next((folder / "visits").iterdir()) / "takes/link.wav").symlink_to(outside)
    everything_in = [folder, *folder.rglob("*")]
    for path in everything_in:
        path.chmod(0o755 if path.is_dir() else 0o644)
    store = Store(folder)
    store.new_visit("Mill", {})
    modes = {
        path: path.stat().st_mode & 0o777
        for path in [folder, *folder.rglob("*")]
        if not path.is_symlink() and "Mill" not in path.name
    }
    assert {mode for path, mode in modes.items() if path.is_dir()} == {0o700}
    assert {mode for path, mode in modes.items() if path in everything_in and path.is_file()} == {
        0o600
    }
    for ending in ("", "-wal", "-shm"):
        assert modes[folder / f"visits.sqlite3{ending}"] == 0o600
    assert outside.stat().st_mode & 0o777 == 0o644
    store.close()


def test_folder_that_serves_for_more_keeps_its_mode(tmp_path):
    (tmp_path / "other.txt").write_text("mine")
    tmp_path.chmod(0o755)
    Store(tmp_path).close()
    assert tmp_path.stat().st_mode & 0o777 == 0o755
    assert (tmp_path / "other.txt").stat().st_mode & 0o777 != 0o600
    assert (tmp_path / "visits.sqlite3").stat().st_mode & 0o777 == 0o600


def test_store_without_room_for_its_work_is_a_line(tmp_path):
    Store(tmp_path / "store").close()
    (tmp_path / "store/work").rmdir()
    (tmp_path / "store/work").write_text("no folder")
    with pytest.raises(StoreError, match="visits cannot be kept there"):
        Store(tmp_path / "store")
