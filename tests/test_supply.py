"""What is installed is what was tried: pins and hashes, and no registry's address beside them."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCK = json.loads((ROOT / "package-lock.json").read_text(encoding="utf-8"))
PINS = {
    name: (ROOT / "pins" / f"{name}.txt").read_text("utf-8") for name in ("run", "test", "build")
}
WANTED = {
    "run": PROJECT["project"]["dependencies"],
    "test": PROJECT["project"]["optional-dependencies"]["test"],
    "build": PROJECT["build-system"]["requires"],
}
# What the numeric rooms may use; they must not even know of the rest.
NUMERIC = {"numpy", "scipy", "soxr"}


def entries(text: str) -> list[str]:
    joined = text.replace("\\\n", " ")
    return [line for line in joined.splitlines() if line and not line.startswith("#")]


def versions(text: str) -> dict[str, str]:
    return dict(re.match(r"([a-z0-9-]+)==([^ ;]+)", line).groups() for line in entries(text))


@pytest.mark.parametrize("name", PINS)
def test_every_pin_has_hashes(name):
    for line in entries(PINS[name]):
        assert re.fullmatch(r"[a-z0-9-]+==[\w.]+( ; [^-]+)?( +--hash=sha256:[0-9a-f]{64})+", line)


@pytest.mark.parametrize("name", PINS)
def test_what_the_project_asks_for_is_pinned_to_what_it_allows(name):
    pinned = versions(PINS["run"]) | versions(PINS[name])
    for requirement in map(Requirement, WANTED[name]):
        assert pinned[canonicalize_name(requirement.name)] in requirement.specifier


def test_nothing_older_than_what_was_tried_is_allowed():
    pinned = versions(PINS["run"])
    for requirement in map(Requirement, WANTED["run"]):
        (lowest,) = [one.version for one in requirement.specifier if one.operator == ">="]
        tried = pinned[canonicalize_name(requirement.name)].split(".")
        assert tried[: lowest.count(".") + 1] == lowest.split("."), requirement.name


def test_what_builds_the_package_is_one_version_each():
    for requirement in map(Requirement, WANTED["build"]):
        assert [one.operator for one in requirement.specifier] == ["=="]


def test_browser_packages_and_what_they_need_are_pinned_with_hashes():
    outer = json.loads((ROOT / "package.json").read_text(encoding="utf-8"))["devDependencies"]
    assert LOCK["packages"][""]["devDependencies"] == outer
    inner = {key: one for key, one in LOCK["packages"].items() if key}
    assert {f"node_modules/{name}" for name in outer} <= set(inner)
    for one in inner.values():
        assert one["integrity"].startswith("sha512-")


def test_no_file_of_pins_names_a_registry():
    for text in (*PINS.values(), json.dumps(LOCK)):
        assert not re.search(r"://|index-url|resolved", text)


def test_the_numeric_rooms_may_know_no_other_dependency():
    (contract,) = (
        one
        for one in PROJECT["tool"]["importlinter"]["contracts"]
        if one["type"] == "forbidden" and "evenhall.acoustics" in one["source_modules"]
    )
    named = {Requirement(one).name for one in WANTED["run"]} - NUMERIC
    modules = {name.replace("-", "_") for name in named}
    assert modules <= set(contract["forbidden_modules"])
    # What the web framework brings is imported by its own name.
    assert {"starlette", "markupsafe"} <= set(contract["forbidden_modules"])


def test_what_is_bundled_is_listed_with_its_licence():
    rows = re.findall(
        r"^\| ([^|]+) \| ([^|]+) \| ([^|]+) \|",
        (ROOT / "docs/licences.md").read_text(encoding="utf-8"),
        flags=re.MULTILINE,
    )
    listed = {(name.strip(), version.strip(), licence.strip()) for name, version, licence in rows}
    entry = (ROOT / "web/pages.js").read_text(encoding="utf-8")
    bundled = {
        (name, one["version"], one["license"])
        for name, one in (
            (key.removeprefix("node_modules/"), one) for key, one in LOCK["packages"].items() if key
        )
        if re.search(rf'["\']{re.escape(name)}["\'/]', entry)
    }
    assert len(bundled) == 2
    assert bundled <= listed
    fonts = (ROOT / "src/evenhall/drawing/fonts/README.md").read_text(encoding="utf-8")
    assert ("Barlow Semi Condensed", re.search(r"` ([\d.]+):", fonts)[1], "OFL-1.1") in listed
