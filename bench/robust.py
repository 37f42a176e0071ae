"""What the card does at places it was not made for, in 200 invented rooms.

Each room has a loudspeaker with faults, a unit, and eight places; a place hears the loudspeaker,
its own diffuse field (Gaussian noise under a decay), one strong early reflection (a comb), and,
below 200 Hz, a few modes of its own size. Three places are measured, five are held out. The
same rooms are given to: no card, each band's deviation copied onto its fader, the middle place
alone solved, the plain mean solved (every fader free to be raised, or only those that the card
may raise), and the card. Figures are the weighted rms at held-out
places, over the bands from the low limit to 16 kHz, weighted mean removed.

    OMP_NUM_THREADS=1 PYTHONPATH=tests python bench/robust.py
"""

from __future__ import annotations

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.equalizer import Wanted, band_gain_db, graphic_unit, solve
from evenhall.verdict.card import deviation_db, may_boost, weighted_rms_db
from verdict.builders import diffuse_levels_db, judged, take

ROOMS = 200
FIELDS = dict.fromkeys((0.5, 0.9, 1.5))
LOW_HZ = 63.0
WORSE_DB = 0.3
MEASURED, PLACES = 3, 8


def loudspeaker_db(rng):
    """Broad and narrow faults that every place hears."""
    level = np.convolve(rng.normal(0, 2.5, 35), [0.2, 0.4, 0.5, 0.4, 0.2], "valid")
    for _ in range(rng.integers(0, 4)):
        centre, width = rng.uniform(2, 29), rng.uniform(0.5, 2.0)
        level += rng.uniform(-5, 6) * np.exp(-(((np.arange(31) - centre) / width) ** 2))
    return level - 25.0 * (NOMINAL_HZ < LOW_HZ)


def place_db(rng, diffuse_db, direct_share):
    """Make what a place adds: its part of the diffuse field, one reflection, its modes."""
    diffuse = 10.0 ** (diffuse_db[rng.integers(len(diffuse_db))] / 10.0)
    nodes = EXACT_HZ[:, None] * 10.0 ** np.linspace(-0.05, 0.05, 41)
    late_s, size = rng.uniform(0.002, 0.02), rng.uniform(0.1, 0.6)
    comb = np.abs(1.0 + size * np.exp(-2j * np.pi * nodes * late_s)) ** 2
    level = 10.0 * np.log10(direct_share * comb.mean(axis=1) + (1.0 - direct_share) * diffuse)
    return level + rng.normal(0, 2.0, 31) * np.clip(np.log2(200.0 / EXACT_HZ), 0.0, 1.0)


def copied(unit, deviation):
    """Each fader at the opposite of what its nearest band strays by."""
    nearest = np.abs(np.log(unit.centre_hz[:, None] / EXACT_HZ)).argmin(axis=1)
    wished = -np.where(np.isfinite(deviation), deviation, 0.0)[nearest]
    wished = np.where(unit.nominal_hz < LOW_HZ, np.minimum(wished, 0.0), wished)
    return np.clip(wished, -unit.range_db, unit.max_boost_db)


def plain_card(unit, verdict):
    """Solve the mean over the places as it is, with the card's weights and limits."""
    common, card = verdict.common, verdict.card
    mean = deviation_db(common.level_db, card.target)
    boost = may_boost(unit, card.fill, low_limit_hz=LOW_HZ)
    return solve(unit, Wanted(mean, card.weight, boost)).gain_db


def rooms(seed):
    """Band levels at each place, and the unit."""
    rng = np.random.default_rng(seed)
    for rt60_s in FIELDS:
        field = diffuse_levels_db(rng, 150, rt60_s=rt60_s)
        FIELDS[rt60_s] = field - 10.0 * np.log10((10.0 ** (field / 10.0)).mean(axis=0))
    for _ in range(ROOMS):
        rt60_s = rng.choice(list(FIELDS))
        unit = {
            "bands": int(rng.choice([31, 15, 10])),
            "model": str(rng.choice(["proportional-q", "constant-q"])),
        }
        common, share = loudspeaker_db(rng), rng.uniform(0.1, 0.5)
        places = [common + place_db(rng, FIELDS[rt60_s], share) for _ in range(PLACES)]
        yield unit, float(rt60_s), np.array(places) + rng.normal(0, 0.3, (PLACES, 31))


def main(seed=31):
    """Print the table."""
    names = (
        "no card",
        "copied",
        "middle place solved",
        "mean, any boost",
        "mean, same limits",
        "card",
    )
    rms, worst_case = {name: [] for name in names}, {name: [] for name in names}
    left_out = []
    weight = ((NOMINAL_HZ >= LOW_HZ) & (EXACT_HZ < 17000.0)).astype(float)
    for unit_words, rt60_s, places in rooms(seed):
        unit = graphic_unit(**unit_words)
        takes = [
            take(level, spot=name, distance_m=metres, uncertainty_db=0.3)
            for level, name, metres in zip(
                places, ("front", "middle", "back"), (3.0, 8.0, 14.0), strict=False
            )
        ]
        verdict = judged(*takes, low_limit_hz=LOW_HZ, rt60_s=rt60_s, **unit_words)
        mean = deviation_db(verdict.common.level_db, np.zeros(31))
        middle = deviation_db(places[1], np.zeros(31))
        boost = unit.nominal_hz >= LOW_HZ
        gains = {
            "no card": np.zeros(31),
            "copied": band_gain_db(unit, copied(unit, mean)),
            "middle place solved": solve(unit, Wanted(middle, weight, boost)).gain_db,
            "mean, any boost": solve(unit, Wanted(mean, weight, boost)).gain_db,
            "mean, same limits": plain_card(unit, verdict),
            "card": verdict.card.gain_db("left"),
        }
        left_out.append(max(one.rms_after_db - one.rms_before_db for one in verdict.left_out))
        for name, gain in gains.items():
            held_out = [weighted_rms_db(p + gain, weight) for p in places[MEASURED:]]
            flat = [weighted_rms_db(p, weight) for p in places[MEASURED:]]
            rms[name].extend(held_out)
            worst_case[name].append(max(np.subtract(held_out, flat)))
    print(f"{ROOMS} rooms, {MEASURED} places measured, {PLACES - MEASURED} held out")
    print("                     rms dB  worst 5 %   places worse by > 0.3 dB in   at most by")
    for name in names:
        worse = np.array(worst_case[name])
        print(
            f"{name:<20} {np.sqrt(np.mean(np.square(rms[name]))):6.2f}"
            f" {np.quantile(rms[name], 0.95):8.2f}"
            f"   {np.sum(worse > WORSE_DB):5d} of {ROOMS} rooms      {worse.max():+.2f} dB"
        )
    worse = np.array(left_out)
    print(
        "the card made without one of the three places, at that place: worse by > 0.3 dB in "
        f"{np.sum(worse > WORSE_DB)} of {ROOMS} rooms, at most by {worse.max():+.2f} dB"
    )


if __name__ == "__main__":
    main()
