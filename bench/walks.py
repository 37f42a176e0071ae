"""Walks through the halls of `bench/halls.py`: what the microphone hears along the way.

`walked(seed)` gives the band powers of both sides at places some 0.7 m apart on the very path
that the pages draw, and keeps them in .cache/.
"""

from __future__ import annotations

import hashlib
import pickle
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import halls
from evenhall.hall.path import walk_path
from evenhall.hall.setting import Audience

EVERY_M = 0.7
PATH_FILE = Path(__file__).parent.parent / "src" / "evenhall" / "hall" / "path.py"


@dataclass(frozen=True, eq=False)
class Walked:
    """A walk.

    Parameters
    ----------
    length_m, length_s : float
    powers : ndarray, shape (n_places, 3, 31)
        Power of left, of right, and twice the real part of their cross power.
    """

    length_m: float
    length_s: float
    powers: np.ndarray


def made(seed: int) -> Walked:
    """Walk through a hall."""
    draw = halls.drawn(seed)
    physics = halls.OwnHall(draw) if draw.own_physics else halls.ImageHall(draw)
    from_wall_m, ear_m = draw.boxes_m["left"][0], draw.spots_m["left", "middle"][2]
    path = walk_path(
        Audience(*draw.rows_m, ear_m),
        length_m=draw.size_m[0] - from_wall_m,
        width_m=draw.size_m[1],
    )
    count = round(path.length_m / EVERY_M)
    places = path.at((np.arange(count) + 0.5) / count)
    powers = np.empty((count, 3, 31))
    for row, (along_m, across_m) in zip(powers, places, strict=True):
        place_m = (from_wall_m + along_m, draw.size_m[1] / 2 + across_m, ear_m)
        row[:] = halls.cell_powers(*(physics.response(side, place_m) for side in halls.SIDES))
    return Walked(path.length_m, path.length_s, powers)


def walked(seed: int) -> Walked:
    """Give the walk through the hall of a seed, made where it is not there yet."""
    sources = Path(halls.__file__).read_bytes() + PATH_FILE.read_bytes()
    mark = hashlib.sha256(sources).hexdigest()[:12]
    path = halls.CACHE / f"walk-{mark}-{seed}.pickle"
    if path.exists():
        return Walked(*pickle.loads(path.read_bytes()))
    walk = made(seed)
    halls.CACHE.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps((walk.length_m, walk.length_s, walk.powers)))
    return walk


def walks(seeds) -> list[Walked]:
    """Give the walks of these seeds, made on two processes where they are not there yet."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(walked, list(seeds), chunksize=4))
