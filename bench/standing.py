"""How often a fader that stands wrong is named right: 200 cases a row.

A case is a random card with one fader 3 to 6 dB off, from 63 Hz to 12.5 kHz; what the unit did is
known with the noise of the row in each band (of the mean over the spots). Right means that this
fader alone is named, the right way. Beside it, how often one is accused where none is wrong.

    OMP_NUM_THREADS=1 PYTHONPATH=tests python bench/standing.py
"""

import numpy as np

from evenhall.equalizer.graphic import MODELS, band_gain_db, graphic_unit
from evenhall.verdict.proof.wrong_faders import wrong_faders
from verdict.test_standing import asked_of, named_right

CASES = 200


def main():
    """Print the table."""
    print("unit                  noise dB  right %  accused %")
    for bands in (31, 15):
        for model in MODELS:
            unit = graphic_unit(bands, model=model)
            for noise_db in (0.1, 0.3, 0.6, 1.0):
                rng = np.random.default_rng(20)
                right = sum(named_right(unit, rng, noise_db=noise_db) for _ in range(CASES))
                accused = 0
                for _ in range(CASES // 4):
                    asked = asked_of(unit, rng)
                    did = band_gain_db(unit, asked) + rng.normal(0, noise_db, 31)
                    doubt = np.full(31, noise_db)
                    accused += bool(wrong_faders(unit, asked, did, doubt, side="left"))
                share = 400 * accused / CASES
                print(
                    f"{bands} {model:<18} {noise_db:6.1f} {100 * right / CASES:8.1f} {share:8.1f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
