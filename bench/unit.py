"""How well a unit is known once it was learned: 40 lying units of each kind.

Centres up to 6 % off, Q up to 25 % off and moving with the gain, gains that sag, one weak fader;
noise of 0.02 dB on what is measured. For 20 random settings of each, which it was not learned from:
the largest error from 25 Hz to 16 kHz. The baseline trusts the scale. The card: rms of what is
left by the real unit, solved on the learned and on the lettered one.

    OMP_NUM_THREADS=1 python bench/unit.py
"""

from __future__ import annotations

import time

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import graphic_unit, unit_gain_db
from evenhall.equalizer.learning import fit_freq_hz, fit_unit, learning_round
from evenhall.equalizer.solver import Wanted, solve
from evenhall.sound.simulated.unit import lying_unit
from evenhall.verdict.card.loss import band_weights

UNITS, SETTINGS = 40, 20
HEARD_HZ = np.geomspace(25.0, 16_000.0, 400)
NODES_HZ = EXACT_HZ[:, None] * 10.0 ** np.linspace(-0.0475, 0.0475, 20)


def main():
    """Print the table."""
    freq_hz = fit_freq_hz()
    print("faders  settings  error dB: median  95 in 100  worst | scale: median | fit s | card rms dB: learned  scale | card ms")  # fmt: skip # noqa: E501
    for bands in (31, 15):
        unit = graphic_unit(bands)
        settings = learning_round(unit)
        errors, trusted, fits, learned_rms, scale_rms, cards = [], [], [], [], [], []
        for seed in range(UNITS):
            rng = np.random.default_rng(1000 + seed)
            true = lying_unit(unit.centre_hz, unit.q, seed=seed)

            def gain_db(faders, hz, true=true):
                flat = true.response(np.zeros(len(faders)), hz)
                return 20.0 * np.log10(np.abs(true.response(faders, hz) / flat))

            shown = np.array([gain_db(one, freq_hz) for one in settings])
            start = time.perf_counter()
            found = fit_unit(unit, settings, shown + rng.normal(0, 0.02, shown.shape), freq_hz).unit
            fits.append(time.perf_counter() - start)
            for _ in range(SETTINGS):
                faders = rng.uniform(-12, 12, bands)
                real = gain_db(faders, HEARD_HZ)
                errors.append(np.abs(unit_gain_db(found, faders, HEARD_HZ) - real).max())
                trusted.append(np.abs(unit_gain_db(unit, faders, HEARD_HZ) - real).max())
            wish = Wanted(
                np.convolve(rng.normal(0, 2.5, 35), [0.2, 0.4, 0.5, 0.4, 0.2], "valid"),
                band_weights(50.0),
                np.ones(bands, bool),
            )
            for hand, kept in ((found, learned_rms), (unit, scale_rms)):
                start = time.perf_counter()
                faders = solve(hand, wish).fader_db
                if hand is found:
                    cards.append(time.perf_counter() - start)
                power = 10.0 ** (gain_db(faders, NODES_HZ.ravel()) / 10.0)
                level = wish.deviation_db + 10.0 * np.log10(
                    power.reshape(NODES_HZ.shape).mean(axis=1)
                )
                share = wish.weight / wish.weight.sum()
                kept.append(np.sqrt(np.square(level - share @ level) @ share))
        print(
            f"{bands:6d} {len(settings):9d} {np.median(errors):17.2f} "
            f"{np.quantile(errors, 0.95):10.2f} {max(errors):6.2f} | {np.median(trusted):13.1f} | "
            f"{np.median(fits):5.1f} | {np.mean(learned_rms):20.2f} {np.mean(scale_rms):6.2f} | "
            f"{1000 * np.median(cards):7.1f}"
        )


if __name__ == "__main__":
    main()
