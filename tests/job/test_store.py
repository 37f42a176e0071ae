"""Writing that fails half-way must leave what was there."""

import errno
import os
import resource
from pathlib import Path

import pytest

from evenhall.errors import StoreError
from evenhall.job.folder.writing import write_result, write_whole


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


OLD = {"result.json": b"old result", "sheet.pdf": b"old sheet", "notes.txt": b"mine"}
NEW = {"result.json": b"new result", "sheet.pdf": b"new sheet"}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    folder.mkdir()
    for name, content in OLD.items():
        (folder / name).write_bytes(content)
    return folder


def fail_at(call_number: int, function, error: BaseException):
    """`function`, but the given call raises."""
    calls = 0

    def failing(*args, **kwargs):
        nonlocal calls
        calls += 1
        if calls == call_number:
            raise error
        return function(*args, **kwargs)

    return failing


FULL = OSError(errno.ENOSPC, "No space left on device")


def test_result_goes_into_a_folder_that_is_made(tmp_path):
    write_result(tmp_path / "a" / "out", NEW["result.json"], NEW["sheet.pdf"])
    assert contents(tmp_path / "a" / "out") == NEW


def test_result_replaces_the_former_one_and_nothing_else(out):
    write_result(out, NEW["result.json"], NEW["sheet.pdf"])
    assert contents(out) == OLD | NEW


@pytest.mark.parametrize("call_number", [1, 2])
@pytest.mark.parametrize("function", ["fsync", "replace"])
def test_full_disk_leaves_the_former_result(out, monkeypatch, function, call_number):
    monkeypatch.setattr(os, function, fail_at(call_number, getattr(os, function), FULL))
    with pytest.raises(StoreError, match=r"could not be written \(No space left on device\)") as e:
        write_result(out, NEW["result.json"], NEW["sheet.pdf"])
    assert "\n" not in str(e.value)
    assert contents(out) == OLD


@pytest.mark.parametrize("call_number", [1, 2])
def test_full_disk_leaves_an_empty_folder_empty(tmp_path, monkeypatch, call_number):
    monkeypatch.setattr(os, "replace", fail_at(call_number, os.replace, FULL))
    with pytest.raises(StoreError):
        write_result(tmp_path, NEW["result.json"], NEW["sheet.pdf"])
    assert contents(tmp_path) == {}


def test_write_that_the_system_cuts_short_leaves_the_former_result(out):
    # A limit on the size of files makes the kernel refuse in the midst of a real write.
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limits[1]))
    try:
        with pytest.raises(StoreError, match=r"could not be written \(File too large\)"):
            write_result(out, NEW["result.json"], b"x" * 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert contents(out) == OLD


def test_interrupt_between_the_files_leaves_the_former_result(out, monkeypatch):
    monkeypatch.setattr(os, "replace", fail_at(2, os.replace, KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        write_result(out, NEW["result.json"], NEW["sheet.pdf"])
    assert contents(out) == OLD


def test_folder_in_the_place_of_a_file_leaves_the_former_result(out):
    (out / "result.json").unlink()
    (out / "result.json").mkdir()
    with pytest.raises(StoreError, match=r"result\.json: could not be written"):
        write_result(out, NEW["result.json"], NEW["sheet.pdf"])
    assert (out / "result.json").is_dir()
    assert (out / "sheet.pdf").read_bytes() == OLD["sheet.pdf"]


def test_file_in_the_place_of_the_folder_stays(tmp_path):
    (tmp_path / "out").write_bytes(b"mine")
    with pytest.raises(StoreError, match=r"sheet\.pdf: could not be written \(File exists\)"):
        write_result(tmp_path / "out", NEW["result.json"], NEW["sheet.pdf"])
    assert contents(tmp_path) == {"out": b"mine"}


def test_folder_that_nobody_can_write_is_one_line():
    with pytest.raises(StoreError) as caught:
        write_result(Path("/proc/out"), b"", b"")
    assert str(caught.value).startswith("/proc/out/sheet.pdf: could not be written (")
    assert "\n" not in str(caught.value)


def test_any_files_are_written_together(tmp_path):
    write_whole({tmp_path / "a.wav": b"a", tmp_path / "b" / "c.wav": b"c"})
    assert (tmp_path / "a.wav").read_bytes() == b"a"
    assert (tmp_path / "b" / "c.wav").read_bytes() == b"c"
