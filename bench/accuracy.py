"""How true the levels of simulated takes are, and whether their uncertainty is honest.

Draws rooms (reverberation 0.3 to 3 s), lengths (3 to 20 s), white or pink noise, hum and slams
at random, for each stimulus and signal-to-noise ratio, and compares every usable third octave
with that of the impulse response itself. One group a line: takes; usable bands a take; error
from 63 Hz to 16 kHz, median and 95 in 100; the share of usable bands within twice the stated
uncertainty (90 % is asked for), median of error over uncertainty (1 standard deviation of a
normal error has 0.67), median uncertainty; delay error, median and largest; wrong polarities.

    python bench/accuracy.py [TAKES_A_GROUP]
"""

from __future__ import annotations

import platform
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
import rooms
from evenhall.acoustics.transfer import transfer_function

TAKES = 24
SNRS_DB = (40, 30, 20, 10, 6, 3, 0, -3)
HEADING = (
    "stimulus   SNR takes usable   err50   err95  in 2u   e/u  u dB  arrival us   wrong\n"
    "            dB        bands      dB      dB      %                50   max  polarity"
)


def group(kind, snr_db, takes):
    """One line of the table."""
    errors_db, unsure_db, inner_db, arrivals_us, usable = [], [], [], [], []
    wrong = 0
    for seed in range(takes):
        rng = np.random.default_rng([seed, snr_db + 100, sorted(rooms.STIMULI).index(kind)])
        take = rooms.random_take(rng, kind, snr_db)
        signals, rates = take.arguments
        response = transfer_function(*signals, **rates)
        bands = response.bands
        error_db = np.abs(bands.level_db - take.levels_db)
        usable.append(bands.usable.sum())
        errors_db.append(error_db[bands.usable])
        unsure_db.append(bands.uncertainty_db[bands.usable])
        inner_db.append(error_db[bands.usable & rooms.bands_between(63, 16_000)])
        if np.isfinite(response.delay_s):
            arrivals_us.append(abs(response.delay_s - take.delay_s) * 1e6)
        wrong += response.polarity == -1
    error_db, sigma_db = np.concatenate(errors_db), np.concatenate(unsure_db)
    inner = np.concatenate(inner_db)
    if not error_db.size:
        return f"{kind:8s} {snr_db:5d} {takes:5d}    none usable"
    middle, most = np.percentile(inner, [50, 95]) if inner.size else (np.nan, np.nan)
    arrival = (np.median(arrivals_us), max(arrivals_us)) if arrivals_us else (np.nan, np.nan)
    return (
        f"{kind:8s} {snr_db:5d} {takes:5d} {np.mean(usable):6.1f} {middle:7.3f} {most:7.3f} "
        f"{100 * np.mean(error_db <= 2 * sigma_db):6.1f} {np.median(error_db / sigma_db):5.2f} "
        f"{np.median(sigma_db):5.3f} {arrival[0]:5.1f} {arrival[1]:5.0f} {wrong:9d}"
    )


def main():
    """Print the table."""
    takes = int(sys.argv[1]) if len(sys.argv) > 1 else TAKES
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {takes} takes a group")
    print(HEADING)
    for kind in rooms.STIMULI:
        for snr_db in SNRS_DB:
            print(group(kind, snr_db, takes), flush=True)


if __name__ == "__main__":
    main()
