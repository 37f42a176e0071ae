"""What differs by system, each as the others have it; no real Windows or macOS was at hand."""

import errno
import mimetypes
import ntpath
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import types
from pathlib import PureWindowsPath

import numpy as np
import pytest

from evenhall import disk
from evenhall.cli.app import PLAINLY
from evenhall.cli.keys import any_key
from evenhall.disk import give_name, refused, sync_file, sync_folder
from evenhall.errors import InputError
from evenhall.job.folder.reading import load_job
from evenhall.pages.app import create_app
from evenhall.pages.threshold import HERE, Threshold
from evenhall.sound import writing
from evenhall.sound.live.engine import awake_or_not_s
from evenhall.sound.live.setup import SETUP_FILE
from evenhall.sound.writing import TakeWriter
from evenhall.visits import rows
from evenhall.visits.store import Store
from job.folders import Folder, sound_take
from pages.demo_services import services_in


@pytest.fixture
def busy_disk(monkeypatch):
    """Refuse a name as often as is told, as Windows does while another program reads the file."""
    left = [0]
    replace = os.replace

    def refusing(part, path):
        if left[0]:
            left[0] -= 1
            raise PermissionError(errno.EACCES, "Access is denied")
        replace(part, path)

    monkeypatch.setattr(os, "replace", refusing)
    return left


def test_name_is_given_once_another_program_lets_go_of_the_file(tmp_path, monkeypatch, busy_disk):
    monkeypatch.setattr(disk, "WINDOWS", True)
    (tmp_path / "part").write_text("new")
    busy_disk[0] = 3
    give_name(tmp_path / "part", tmp_path / "whole")
    assert (tmp_path / "whole").read_text() == "new"
    assert busy_disk == [0]


@pytest.mark.parametrize(("windows", "asked"), [(True, 2), (False, 1)])
def test_name_that_is_refused_for_good_is_told(tmp_path, monkeypatch, busy_disk, windows, asked):
    monkeypatch.setattr(disk, "WINDOWS", windows)
    monkeypatch.setattr(disk, "PATIENCE_S", 0.01)
    busy_disk[0] = 1000
    with pytest.raises(PermissionError):
        give_name(tmp_path / "part", tmp_path / "whole")
    assert 1000 - busy_disk[0] == asked


@pytest.mark.parametrize(("knows", "synced"), [(True, ["full"]), (False, ["full", "usual"])])
def test_file_leaves_the_drives_own_memory_where_the_usual_call_leaves_it_there(
    tmp_path, monkeypatch, knows, synced
):
    asked = []

    def fcntl(number, order):
        assert order == 51
        asked.append("full")
        if not knows:
            raise OSError(errno.ENOTSUP, "not supported")

    fake = types.SimpleNamespace(fcntl=fcntl, F_FULLFSYNC=51)
    monkeypatch.setitem(sys.modules, "fcntl", fake)
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(os, "fsync", lambda number: asked.append("usual"))
    with (tmp_path / "a").open("wb") as file:
        sync_file(file.fileno())
    assert asked == synced


def test_disk_that_syncs_no_folder_is_no_fault_and_a_broken_one_is(tmp_path, monkeypatch):
    wrong = [errno.EINVAL]

    def refusing(number):
        raise OSError(wrong[0], "no")

    monkeypatch.setattr(os, "fsync", refusing)
    sync_folder(tmp_path)
    wrong[0] = errno.EIO
    with pytest.raises(OSError, match="no"):
        sync_folder(tmp_path)
    monkeypatch.setattr(disk, "WINDOWS", True)
    sync_folder(tmp_path)  # it opens no folder at all


def test_nobody_has_a_take_open_when_it_gets_its_name_or_goes(tmp_path, monkeypatch):
    reading = []
    to_disk, give = writing._to_disk, writing.give_name

    def slow(path):
        reading.append(path)
        time.sleep(0.05)
        to_disk(path)
        reading.remove(path)

    def checked(part, path):
        assert not reading
        give(part, path)

    monkeypatch.setattr(writing, "_to_disk", slow)
    monkeypatch.setattr(writing, "give_name", checked)
    monkeypatch.setattr(writing, "SYNC_EVERY_S", 0.001)
    for end in (TakeWriter.finish, TakeWriter.discard):
        with TakeWriter(tmp_path / f"{end.__name__}.wav", rate_hz=48_000, channels=1) as writer:
            writer.write(np.zeros((100, 1)))
            while not reading:
                time.sleep(0.001)
            end(writer)
            assert not reading
    assert [path.name for path in tmp_path.iterdir()] == ["finish.wav"]


@pytest.mark.parametrize(
    "name", ["CON", "nul.txt", "Com1.wav", "lpt\u00b9", "a:b", "left.", "left ", "a\tb", "aux .wav"]
)
def test_names_that_windows_keeps_or_drops(monkeypatch, name):
    path = f"takes/{name}/left.wav"
    assert refused(path) is None
    monkeypatch.setattr(disk, "WINDOWS", True)
    assert refused(path) == name


@pytest.mark.parametrize(
    "path", ["./takes/../left.wav", "console.wav", "com10.wav", "auxiliary", "S\u00fcd .wav", ".a"]
)
def test_names_that_windows_takes(monkeypatch, path):
    monkeypatch.setattr(disk, "WINDOWS", True)
    assert refused(path) is None


def test_take_of_such_a_name_is_one_line_that_names_it(tmp_path, monkeypatch):
    folder = Folder(tmp_path)
    folder.add(sound_take(), "aux.wav", side="left", spot="front")
    folder.write()
    load_job(tmp_path)
    monkeypatch.setattr(disk, "WINDOWS", True)
    with pytest.raises(InputError) as caught:
        load_job(tmp_path)
    (line,) = caught.value.faults
    assert line.endswith(': Windows takes no "aux.wav" for a name. Rename the file.')


@pytest.mark.parametrize("name", ["C:/a.wav", "C:a.wav", "..\\a.wav", "a\\..\\..\\b", "\\\\pc\\a"])
def test_path_that_leads_out_on_windows_leads_out_there(monkeypatch, name):
    monkeypatch.setattr(rows, "normpath", ntpath.normpath)
    monkeypatch.setattr(rows, "PurePath", PureWindowsPath)
    assert rows.leads_out(name)
    assert not rows.leads_out("takes/left.wav")
    assert not rows.leads_out("takes\\left.wav")


def test_settings_beside_the_visits_keep_nobody_else_in(tmp_path):
    """One folder holds both on macOS and Windows, and the settings may have made it."""
    tmp_path.chmod(0o755)
    (tmp_path / SETUP_FILE).write_text("")
    Store(tmp_path).close()
    assert tmp_path.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize("system", ["linux", "darwin"])
def test_time_that_the_computer_slept_is_counted(monkeypatch, system):
    """Darwin, clock_gettime(3): CLOCK_MONOTONIC goes on while the system is asleep; from memory."""
    wanted = {"linux": time.CLOCK_BOOTTIME, "darwin": time.CLOCK_MONOTONIC}[system]
    monkeypatch.setattr(sys, "platform", system)
    monkeypatch.setattr(time, "clock_gettime", lambda clock: {wanted: 42.0}[clock])
    assert awake_or_not_s() == 42.0


def test_key_that_stopped_one_sound_does_not_stop_the_next(monkeypatch):
    waiting = []
    fake = types.SimpleNamespace(kbhit=lambda: bool(waiting), getwch=lambda: waiting.pop(0))
    monkeypatch.setitem(sys.modules, "msvcrt", fake)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(sys, "stdin", types.SimpleNamespace(isatty=lambda: True))
    with any_key() as pressed:
        assert not pressed()
        waiting += ["q", "\r"]
        assert pressed()
    with any_key() as pressed:
        assert not pressed()


@pytest.mark.parametrize("encoding", ["cp1252", "cp850", "cp437", "ascii"])
def test_signs_that_a_console_lacks_become_plain_ones(encoding):
    """A lost minus would turn a cut into a question."""
    written = "\u22122.5 dB \u2026 \u25a0\u2501\u2502".encode(encoding, PLAINLY)
    assert written.decode(encoding).replace("\u2026", "...").startswith("-2.5 dB ... ")
    assert b"?" not in written
    assert "\u4e2d".encode(encoding, PLAINLY) == b"?"


def test_console_of_windows_shows_the_card(tmp_path):
    run = [sys.executable, "-c", "from evenhall.cli import main; main()"]
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}
    for order in (["demo", "hall"], ["tune", "hall"]):
        ended = subprocess.run(
            [*run, *order], cwd=tmp_path, env=environment, capture_output=True, timeout=120
        )
        assert ended.returncode == 0, ended.stderr
    shown = ended.stdout.decode("cp1252")
    assert "O-----" in shown
    assert "?" not in shown.split("Card")[1]


def test_two_programs_never_have_one_port_on_windows(monkeypatch):
    """The option of that name exists there alone; another one stands for it here."""
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_KEEPALIVE, raising=False)
    with Threshold(HERE) as listener:
        assert listener.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        assert listener.getsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR) == 0


def test_threshold_stands_where_the_system_tells_no_limit(monkeypatch):
    monkeypatch.setitem(sys.modules, "resource", None)
    with Threshold(HERE) as listener:
        assert listener._budget == HERE


def test_script_is_sent_as_one_whatever_a_registry_says(tmp_path, monkeypatch):
    kinds = mimetypes.guess_type("pages.js")[0]
    mimetypes.add_type("text/plain", ".js")
    services = services_in(tmp_path / "data")
    try:
        create_app(services, hosts=frozenset)
        assert mimetypes.guess_type("pages.js")[0] == "text/javascript"
    finally:
        services.close()
        mimetypes.add_type(kinds, ".js")


def test_server_ends_in_time_where_the_system_has_no_timer_and_another_loop(tmp_path):
    code = (
        "import asyncio, signal, sys, time\n"
        "del signal.setitimer\n"
        "asyncio.new_event_loop = None\n"
        "sys.argv = ['evenhall', 'open', '--no-browser', '--port', '0', '--data', sys.argv[1]]\n"
        "from evenhall.cli import main\n"
        "from evenhall.pages import serve\n"
        "serve._leave = lambda services: time.sleep(60.0)\n"
        "main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    over = threading.Timer(60.0, process.kill)
    over.start()
    try:
        assert process.stdout.readline().startswith("Evenhall is open at ")
        began_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate()
        assert (process.returncode, errors) == (0, "")
        assert time.monotonic() - began_s < 30.0  # of the sixty
    finally:
        over.cancel()
