"""Random halls with mains and a sub whose delay and polarity are off, and their exhaustive truth.

The filters are scipy.signal's; hall and noise are the simulated hall's. `truth()` works from the
true impulse responses by a plain search over a fine grid, written from the definition and not with
the package's search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from evenhall.acoustics.stimulus import pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.sound.simulated import Box, Element, Noise, Room, SimulatedHall
from evenhall.verdict.take import Take

RATE_HZ = 48_000.0
FAMILIES = ("LR4", "BW2", "BW3", "BW4")
BANDS_HZ = 1000.0 * 10.0 ** (np.arange(-16, -4) / 10.0)  # 25 to 315 Hz, IEC 61260-1, base ten


@dataclass(frozen=True)
class Way(Box):
    """A box behind one branch of an electrical crossover."""

    family: str = "LR4"
    kind: str = "low"
    split_hz: float = 90.0

    def on_axis(self, freq_hz):
        """Response of the box times the branch's."""
        order, twice = {"LR4": (2, 2)}.get(self.family, (int(self.family[2]), 1))
        b, a = signal.butter(order, 2 * np.pi * self.split_hz, self.kind, analog=True)
        _, branch = signal.freqs(b, a, 2 * np.pi * np.asarray(freq_hz))
        return super().on_axis(freq_hz) * branch**twice


@dataclass(frozen=True)
class Case:
    """A hall, its mains' and sub's takes, and what is true of them."""

    hall: SimulatedHall
    sides: tuple[str, ...]
    family: str
    split_hz: float
    snr_db: float
    seed: int

    def takes(self, element, *, seconds=8.0):
        """Takes of one element at every spot."""
        return [self._take(spot, (element,), seconds) for spot in self.hall.spots]

    def takes_together(self, main, *, seconds=8.0):
        """Takes of one side of the mains at every spot, the sub playing along."""
        return [
            replace(self._take(spot, (main, "sub"), seconds), with_subs=True)
            for spot in self.hall.spots
        ]

    def _take(self, spot, elements, seconds):
        heard, played, rate_hz = self.recording(spot, elements, seconds)
        response = transfer_function(heard, played, rate_hz=rate_hz)
        name = elements[0]
        return Take(
            file=f"{name}-{spot}.wav", side=name, spot=spot, distance_m=None, response=response
        )

    def recording(self, spot, elements, seconds=8.0):
        """What is heard of elements that play together, what is played, and the rate."""
        stimulus = pink_noise(seconds, rate_hz=RATE_HZ, seed=5)
        place, names = list(self.hall.spots).index(spot), sorted(self.hall.elements)
        heard = 0.0
        for element in elements:
            samples, rate_hz = self.hall.take(
                element,
                spot,
                stimulus,
                rate_hz=RATE_HZ,
                seed=self.seed * 100 + 10 * names.index(element) + place,
                noise=Noise(snr_db=self.snr_db),
            )
            microphone, played = np.asarray(samples, np.float32).T
            heard = heard + microphone
        return heard.copy(), played.copy(), rate_hz

    def true_spectra(self, element, freq_hz):
        """True spectra at every spot, shape (n_spots, n_freq)."""
        n_fft = int(RATE_HZ / 0.25)
        at = np.round(freq_hz / 0.25).astype(int)
        return np.array(
            [
                np.fft.rfft(self.hall.true_response(element, spot, rate_hz=RATE_HZ), n_fft)[at]
                for spot in self.hall.spots
            ]
        )


def random_case(seed, *, sides=1, spots=None, snr_db=None):
    """One hall: crossover 70 to 120 Hz, sub 10 ms either way, either polarity, 1 to 3 spots."""
    rng = np.random.default_rng([seed, 91])
    length, width, height = rng.uniform(9, 22), rng.uniform(6, 13), rng.uniform(3.2, 6)
    mid_s = rng.uniform(0.5, 1.5)
    room = Room(
        length,
        width,
        height,
        tuple(mid_s * np.array([1.2, 1.1, 1, 1, 1, 0.95, 0.85, 0.7])),
        seed=seed + 1,
    )
    family = FAMILIES[rng.integers(4)]
    split_hz = rng.uniform(70, 120)
    # A channel can only be late: both are given a common 10 ms, so that the sub may be early.
    sub_s, polarity = 0.010 + rng.uniform(-0.010, 0.010), int(rng.choice([-1, 1]))
    top = Way(family=family, kind="high", split_hz=split_hz, low_limit_hz=45.0)
    bass = Way(
        family=family,
        kind="low",
        split_hz=split_hz,
        low_limit_hz=35.0,
        crossover_hz=0.0,
        coverage_h_deg=360.0,
        coverage_v_deg=360.0,
    )
    names = ("left", "right")[:sides]
    elements = {
        name: Element(top, (1.0, width * place, rng.uniform(1.8, 2.5)), delay_s=0.010)
        for name, place in zip(names, (0.22, 0.78), strict=False)
    }
    elements["sub"] = Element(
        bass,
        (rng.uniform(0.7, 1.6), width * rng.uniform(0.2, 0.8), 0.4),
        gain_db=rng.uniform(-4, 4),
        delay_s=sub_s,
        polarity=polarity,
    )
    count = spots or int(rng.integers(1, 4))
    places = {
        f"spot {k + 1}": (length * share, width * rng.uniform(0.25, 0.75), 1.2)
        for k, share in enumerate(np.sort(rng.uniform(0.25, 0.85, count)))
    }
    if snr_db is None:
        snr_db = float(rng.uniform(20, 40))
    return Case(SimulatedHall(room, elements, places), names, family, split_hz, snr_db, seed)


def scores(main, sub, freq_hz, delays_s):
    """Mean loss in dB against |a| + |b|, shape (2, n_delays): as it is, and turned over."""
    lower, upper = BANDS_HZ * 10**-0.05, BANDS_HZ * 10**0.05
    totals, weights = np.zeros((2, delays_s.size)), 0.0
    for low, high in zip(lower, upper, strict=True):
        inside = (freq_hz >= low) & (freq_hz < high)
        share = 1.0 / freq_hz[inside]
        share /= share.sum()
        for a, b in zip(main[:, inside], sub[:, inside], strict=True):
            apart = abs(10 * np.log10((share @ np.abs(a) ** 2) / (share @ np.abs(b) ** 2)))
            weight = np.clip((20 - apart) / 10, 0, 1)
            if weight == 0:
                continue
            turned = b * np.exp(-2j * np.pi * freq_hz[inside] * delays_s[:, None])
            perfect = (np.abs(a) + np.abs(b)) ** 2 @ share
            for k, sign in enumerate((1, -1)):
                totals[k] += (
                    weight * 10 * np.log10(np.abs(a + sign * turned) ** 2 @ share / perfect)
                )
            weights += weight
    return totals / weights


def best_of(found, delays_s, *, equal_db=0.05):
    """Delay, polarity and loss of the least late of the hills that are equal to the ear."""
    hills = []
    for k, sign in enumerate((1, -1)):
        row = found[k]
        tops = np.flatnonzero((row[1:-1] >= row[:-2]) & (row[1:-1] > row[2:])) + 1
        hills += [(abs(delays_s[at]), delays_s[at], sign, found[k][at]) for at in tops]
    best = max(hill[3] for hill in hills)
    _, delay_s, sign, loss_db = min(hill for hill in hills if hill[3] >= best - equal_db)
    return delay_s, sign, loss_db


def truth(case):
    """Best delay, polarity and loss, and all scores, by trying every 0.01 ms."""
    freq_hz = np.arange(22.0, 360.0, 0.25)
    sub = case.true_spectra("sub", freq_hz)
    main = np.concatenate([case.true_spectra(side, freq_hz) for side in case.sides])
    delays_s = np.arange(-2000, 2001) * 1e-5
    found = scores(main, np.tile(sub, (len(case.sides), 1)), freq_hz, delays_s)
    return (*best_of(found, delays_s), found, delays_s)


def reset(case, *, polarity, delay_s):
    """The same hall with the sub really set so."""
    sub = case.hall.elements["sub"]
    late = {name: one for name, one in case.hall.elements.items() if name != "sub"}
    if delay_s < 0:
        late = {name: replace(one, delay_s=one.delay_s - delay_s) for name, one in late.items()}
    sub = replace(sub, polarity=sub.polarity * polarity, delay_s=sub.delay_s + max(delay_s, 0.0))
    return replace(case, hall=replace(case.hall, elements={**late, "sub": sub}))
