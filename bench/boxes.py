"""Whether the takes tell what is wrong with the boxes: faults and sound pairs in random halls.

Draws halls (rooms, boxes, spots) and two ways of placing the microphone: `own`, each side heard
from its own three spots as `evenhall hall` puts them, a hand's breadth off; and `shared`, both
sides heard from the left one's. Each pair is judged whole and with one fault at a time. Even seeds
are what thresholds were set on, odd seeds what counts.

    OMP_NUM_THREADS=1 python bench/boxes.py [HALLS]
"""

from __future__ import annotations

import platform
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from evenhall.verdict.boxes.faults import UNSURE_DB, box_faults
from evenhall.verdict.evenness import match
from evenhall.verdict.take import spot_responses
from verdict.halls import SIDES, draw, drivers, gain, inverted, low_cut, takes_of

HALLS = 120


def kinds(found):
    """Give what is told in short words: ``cut left``, ``horn right``, ``gain left``."""
    told = []
    for move in found.moves:
        text = move.text
        if move.kind in ("gain", "polarity"):
            told.append(f"{move.kind} {next(iter(move.to)).split('_')[0]}")
        elif "from here it is not sure" in text:
            told.append("unsure")
        elif "on the channels or the boxes" in text:
            told.append("cut both")
        else:
            word = next(w for w in ("horn", "woofer", "low cut", "tone") if w in text)
            side = next(iter(found.sides_out), "") if word != "tone" else ""
            both = "both" if len(found.sides_out) > 1 else side
            told.append(f"{word.split()[-1]} {both}".strip())
    return tuple(dict.fromkeys(told))


def cases(drawn, rng):
    """Name, faults a side, and what must be told, one after another."""
    box = drawn.box
    side = SIDES[rng.integers(2)]
    other = SIDES[side == "left"]
    corner_hz, order = rng.uniform(75.0, 150.0), int(rng.integers(2, 4))
    high_hz = rng.uniform(120.0, 150.0)
    horn = drivers(box, low=1.0, high=float(rng.choice([0.0, 0.05, 0.15])))
    woofer = drivers(box, low=0.0, high=1.0)
    yield "whole", {}, ()
    yield "low cut", {side: [low_cut(corner_hz, order)]}, (f"cut {side}",)
    yield "low cut both", {each: [low_cut(high_hz, order)] for each in SIDES}, ("cut both",)
    yield "horn", {side: [horn]}, (f"horn {side}",)
    yield "horn, inverted", {side: [horn, inverted]}, (f"horn {side}", f"polarity {side}")
    yield "horn, inverted other", {side: [horn], other: [inverted]}, (
        f"horn {side}", f"polarity {other}",
    )  # fmt: skip
    yield "horn, 3 dB hot", {side: [horn, gain(3.0)]}, (f"horn {side}", f"gain {side}")
    yield "horns", {each: [horn] for each in SIDES}, ("horn both",)
    yield "woofer", {side: [woofer]}, (f"woofer {side}",)
    yield "woofer, inverted", {side: [woofer, inverted]}, (f"woofer {side}", f"polarity {side}")
    yield "inverted", {side: [inverted]}, (f"polarity {side}",)
    yield "3 dB hot", {side: [gain(3.0)]}, (f"gain {side}",)
    yield "cut, inverted", {side: [low_cut(corner_hz, order), inverted]}, (
        f"cut {side}", f"polarity {side}",
    )  # fmt: skip


def judged(drawn, layout, faults, *, stated):
    """Judge one set of takes."""
    spots = spot_responses(takes_of(drawn, layout, faults), state="before")
    pair = match(spots, drawn.stage)
    limit_hz = round(drawn.box.low_limit_hz) if stated else None
    found = box_faults(spots, pair, rt60_s=drawn.stage.room.rt60_s, low_limit_hz=limit_hz)
    return found, pair


def row(results, name, layout):
    """One line of the table."""
    told = results[name, layout]
    right = sum(set(need) <= set(said) for need, said in told)
    extra = [tuple(sorted(set(said) - set(need) - {"unsure"})) for need, said in told]
    false = [one for one in extra if one]
    unsure = sum("unsure" in said for _, said in told)
    often = max(set(false), key=false.count, default=())
    return (
        f"{name:22s} {layout:7s} {len(told):4d} {right:6d} {len(false):6d} {unsure:7d}  "
        f"{', '.join(often)}"
    )


def main():
    """Print the tables: odd seeds only."""
    halls = int(sys.argv[1]) if len(sys.argv) > 1 else HALLS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    results, levels, misses = defaultdict(list), defaultdict(list), defaultdict(list)
    for seed in range(first, halls, 2):
        drawn = draw(seed)
        for layout in ("own", "shared"):
            for name, faults, need in cases(drawn, np.random.default_rng([43, seed])):
                found, pair = judged(drawn, layout, faults, stated=seed % 4 < 2)
                said = kinds(found)
                results[name, layout].append((need, said))
                misses[name, layout] += [seed] if set(need) - set(said) else []
                hot = [move for move in found.moves if move.kind == "gain"]
                if name == "whole":
                    levels[layout, "apparent"].append(pair.corrected_db)
                    levels[layout, "as it was"].append(pair.level_db)
                    if pair.uncertainty_db <= UNSURE_DB:
                        levels[layout, "apparent, where told"].append(pair.corrected_db)
                elif "3 dB hot" in name and hot:
                    levels[layout, f"error of {name}"].append(abs(hot[0].expected["was_db"]) - 3.0)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, odd seeds below {halls}")
    print("fault                  spots      n  right  false  unsure  commonest false")
    for layout in ("own", "shared"):
        for name in dict.fromkeys(name for name, _ in results):
            print(row(results, name, layout), misses[name, layout] or "")
    print("level, dB                              n   bias     sd    most")
    for (layout, what), values in levels.items():
        values = np.array(values)
        most = np.abs(values).max()
        print(
            f"{layout:7s} {what:28s} {values.size:4d} {values.mean():6.2f} {values.std():6.2f} "
            f"{most:6.2f}"
        )


if __name__ == "__main__":
    main()
