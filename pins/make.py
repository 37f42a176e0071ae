"""Write the pins: every package that ./run and ./check install, with its files' hashes.

    .venv/bin/python pins/make.py            keep the versions, renew the hashes
    .venv/bin/python pins/make.py name=1.2   and change or add one

pip takes nothing then that is not what was tried here (its hash checking, `--require-hashes`).
The index is asked for hashes alone; its address stays out of the files.
"""

from __future__ import annotations

import importlib.metadata
import io
import json
import re
import sys
import tomllib
import urllib.request
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from packaging.markers import default_environment
from packaging.metadata import Metadata
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name, parse_wheel_filename

HERE = Path(__file__).parent
INDEX = "https://pypi.org/simple"
JSON = "application/vnd.pypi.simple.v1+json"
OLDEST, NEWEST = 11, 14  # of Python 3
SYSTEMS = (
    {"sys_platform": "linux", "platform_system": "Linux", "os_name": "posix"},
    {"sys_platform": "darwin", "platform_system": "Darwin", "os_name": "posix"},
    {"sys_platform": "win32", "platform_system": "Windows", "os_name": "nt"},
)
MACHINES = re.compile(r"any|manylinux.*_(x86_64|aarch64)|macosx_.*|win_amd64|win_arm64")
HEAD = "# Written by pins/make.py, which says how to change it.\n"


def main(changes: Iterable[str]) -> None:
    """Write run.txt, test.txt and build.txt."""
    project = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"]
    wanted = {
        "run": project["project"]["dependencies"],
        "test": extras["test"],
        "build": project["build-system"]["requires"],
    }
    pinned = {file: _read(HERE / f"{file}.txt") for file in wanted}
    versions = {name: version for pins in pinned.values() for name, version in pins.items()}
    versions |= {
        canonicalize_name(name): version
        for name, _, version in (change.partition("=") for change in changes)
    }
    run: dict[str, str | None] = {}
    for file, requirements in wanted.items():
        needed = _closure(requirements, versions)
        if file == "run":
            run = needed
        if file == "test":
            needed = {name: marker for name, marker in needed.items() if name not in run}
        lines = [_pin(name, versions[name], marker) for name, marker in sorted(needed.items())]
        (HERE / f"{file}.txt").write_text(HEAD + "".join(lines), encoding="utf-8")


def _read(path: Path) -> dict[str, str]:
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    return dict(re.findall(r"^([a-z0-9-]+)==([^ ;\\]+)", text, flags=re.MULTILINE))


def _environments() -> Iterator[dict[str, str]]:
    for minor in range(OLDEST, NEWEST + 1):
        for system in SYSTEMS:
            python = {"python_version": f"3.{minor}", "python_full_version": f"3.{minor}.2"}
            yield {**default_environment(), **system, **python, "extra": ""}  # type: ignore[dict-item]


def _closure(requirements: Iterable[str], versions: Mapping[str, str]) -> dict[str, str | None]:
    """Names of all that is needed anywhere, with the systems it is needed on where not on all."""
    places: dict[str, set[int]] = {}
    environments = list(_environments())
    for number, environment in enumerate(environments):
        waiting = [Requirement(one) for one in requirements]
        seen: set[tuple[str, frozenset[str]]] = set()
        while waiting:
            one = waiting.pop()
            if one.marker is not None and not one.marker.evaluate(environment):
                continue
            name = canonicalize_name(one.name)
            if name not in versions:
                raise SystemExit(f"{one} has no pin. Give it: pins/make.py {name}=VERSION")
            if versions[name] not in one.specifier:
                raise SystemExit(f"{name}=={versions[name]} does not meet {one}.")
            places.setdefault(name, set()).add(number)
            if (key := (name, frozenset(one.extras))) in seen:
                continue
            seen.add(key)
            for need in _metadata(name, versions[name]).requires_dist or ():
                with_extras = [{**environment, "extra": extra} for extra in ("", *one.extras)]
                if need.marker is None or any(map(need.marker.evaluate, with_extras)):
                    waiting.append(Requirement(str(need).partition(";")[0]))
    return {name: _marker(at, environments) for name, at in places.items()}


def _marker(at: set[int], environments: list[dict[str, str]]) -> str | None:
    if len(at) == len(environments):
        return None
    for key in ("sys_platform", "python_version"):
        values = sorted({environments[number][key] for number in at})
        whole = {n for n, one in enumerate(environments) if one[key] in values}
        if whole == at:
            return " or ".join(f'{key} == "{value}"' for value in values)
    return None  # needed here and there: it does no harm elsewhere


_files: dict[str, list[dict[str, object]]] = {}
_known: dict[str, Metadata] = {}


def _index(name: str) -> list[dict[str, object]]:
    if name not in _files:
        asked = urllib.request.Request(f"{INDEX}/{name}/", headers={"Accept": JSON})
        with urllib.request.urlopen(asked, timeout=60) as answer:
            _files[name] = json.load(answer)["files"]
    return _files[name]


def _of_version(name: str, version: str) -> list[dict[str, object]]:
    """Wheels of a version that fit a machine that is served; nothing is built of sources."""
    fitting = []
    for file in _index(name):
        filename = str(file["filename"])
        # Old files with odd names stand there too: only those of this version are read.
        if not filename.endswith(".whl") or filename.split("-")[1] != version:
            continue
        if any(map(_fits, parse_wheel_filename(filename)[3])):
            fitting.append(file)
    if not fitting:
        raise SystemExit(f"{name}=={version}: the index has no wheel of it.")
    return fitting


def _fits(tag: object) -> bool:
    interpreter, abi, platform = str(tag).split("-")
    if not MACHINES.fullmatch(platform):
        return False
    if abi in ("none", "abi3"):
        return not re.fullmatch(r"cp3\d+|py2", interpreter) or abi == "abi3" or _served(interpreter)
    return abi == interpreter and _served(interpreter)


def _served(interpreter: str) -> bool:
    found = re.fullmatch(r"cp3(\d+)", interpreter)
    return found is not None and OLDEST <= int(found.group(1)) <= NEWEST


def _metadata(name: str, version: str) -> Metadata:
    """Read what a version says of itself: as installed here, or in the smallest of its wheels."""
    if name not in _known:
        try:
            here = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            here = None
        if here is not None and here.version == version:
            raw = (here.read_text("METADATA") or "").encode()
        else:
            file = min(_of_version(name, version), key=lambda one: int(str(one["size"])))
            with urllib.request.urlopen(str(file["url"]), timeout=600) as answer:
                wheel = zipfile.ZipFile(io.BytesIO(answer.read()))
            (inside,) = (one for one in wheel.namelist() if one.endswith(".dist-info/METADATA"))
            raw = wheel.read(inside)
        _known[name] = Metadata.from_email(raw, validate=False)
    return _known[name]


def _pin(name: str, version: str, marker: str | None) -> str:
    hashes = sorted(str(file["hashes"]["sha256"]) for file in _of_version(name, version))  # type: ignore[index]
    lines = [f"{name}=={version}" + (f" ; {marker}" if marker else "")]
    return " \\\n    ".join([*lines, *(f"--hash=sha256:{one}" for one in hashes)]) + "\n"


if __name__ == "__main__":
    main(sys.argv[1:])
