"""The package as a person installs it on another machine: a wheel and pip, nothing compiled."""

import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import httpx
import pytest

ROOT = Path(__file__).parents[1]
PINNED = ("--require-hashes", "--only-binary", ":all:", "-r", str(ROOT / "pins/run.txt"))
pytestmark = pytest.mark.xdist_group("wheel")


def pip(python: Path | str, *arguments: str) -> None:
    done = subprocess.run(
        [str(python), "-m", "pip", "-q", *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (made,) = folder.iterdir()
    return made


@pytest.fixture(scope="module")
def bare(tmp_path_factory, wheel):
    """Programs of an environment that holds the wheel, what it depends on, and nothing else."""
    folder = tmp_path_factory.mktemp("bare")
    venv.create(folder)
    programs = folder / "bin"
    there = ("--python", str(programs / "python"), "install")
    pip(sys.executable, *there, "--no-compile", *PINNED)
    pip(sys.executable, *there, "--no-index", "--no-deps", str(wheel))
    return programs


def run(bare: Path, *arguments: str, folder: Path) -> str:
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL"))}
    done = subprocess.run(
        [str(bare / "evenhall"), *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_wheel_fits_every_system_and_carries_the_browser_code(wheel):
    assert wheel.name.endswith("-py3-none-any.whl")
    names = zipfile.ZipFile(wheel).namelist()
    for needed in ("pages/static/pages.js", "pages/static/pages.css", "sheet/sheet.typ"):
        assert f"evenhall/{needed}" in names
    outside = {name.split("/")[0] for name in names}
    assert all(name.startswith("evenhall") for name in outside)


def test_demo_and_tune_run_from_it(bare, tmp_path):
    run(bare, "demo", "hall", folder=tmp_path)
    told = run(bare, "tune", "hall", folder=tmp_path)
    assert "Card" in told or "card" in told
    assert (tmp_path / "hall/out/sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert (tmp_path / "hall/out/result.json").is_file()


def test_the_pages_open_from_it(bare, tmp_path):
    order = ["open", "--no-browser", "--demo", "--port", "0", "--data", str(tmp_path / "data")]
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL"))}
    process = subprocess.Popen(
        [str(bare / "evenhall"), *order],
        cwd=tmp_path,
        env={**environment, "COLUMNS": "400"},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        address = process.stdout.readline().split()[-1]
        with httpx.Client(timeout=60.0, follow_redirects=True) as browser:
            page = browser.get(address)
            assert page.status_code == 200
            assert "Ottersfold Hall" in page.text
            host = "/".join(address.split("/", 3)[:3])
            for file in ("pages.js", "pages.css", "BarlowSemiCondensed-Regular.ttf"):
                assert len(browser.get(f"{host}/static/{file}").content) > 10_000
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


# The oldest that these are served on, as their makers say; from memory.
@pytest.mark.parametrize("platform", ["win_amd64", "macosx_14_0_arm64"])
@pytest.mark.parametrize("pins", ["run.txt", "build.txt"])
def test_every_dependency_has_a_wheel_there(platform, pins, tmp_path):
    there = ("--platform", platform, "--python-version", "3.12", "--target", str(tmp_path))
    pip(
        sys.executable,
        "install",
        "--dry-run",
        "--ignore-installed",
        *there,
        *PINNED[:-1],
        str(ROOT / "pins" / pins),
    )
