"""A JACK client that is an equalizer: `python live_rack.py FILE`; ports rack:in, rack:out.

FILE holds its sections and where their faders stand, as `write_rack()` writes them; it is looked at
fifty times a second, and what it says is heard from the next block on.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np

from handroom import Rack

TAPS = 8192
LEAD = 64  # what rings ahead, as the response ends at half the rate


def write_rack(file, rack, scale_db):
    """Say what the rack is, whole or not at all."""
    told = {
        "centre_hz": rack.centre_hz.tolist(),
        "q": rack.q.tolist(),
        "share": rack.share.tolist(),
        "q_power": rack.q_power,
        "range_db": rack.range_db,
        "scale_db": list(scale_db),
    }
    new = file.with_suffix(".new")
    new.write_text(json.dumps(told))
    new.replace(file)


def spectrum_of(told, rate_hz, size):
    """Spectrum of the impulse response, for blocks that overlap."""
    scale_db = np.array(told.pop("scale_db"))
    arrays = {name: np.array(told[name]) for name in ("centre_hz", "q", "share")}
    rack = Rack(**told | arrays)
    freq_hz = np.fft.rfftfreq(TAPS, 1.0 / rate_hz)
    taps = np.fft.irfft(rack.sections(scale_db, freq_hz).prod(axis=0), TAPS)
    return np.fft.rfft(np.roll(taps, LEAD), size)


def main(file):
    """Run until it is ended."""
    import jack

    client = jack.Client("rack")
    sound_in, sound_out = client.inports.register("in"), client.outports.register("out")
    size = TAPS + client.blocksize
    passed = np.zeros(size)
    seen = file.read_text()
    spectrum = spectrum_of(json.loads(seen), client.samplerate, size)

    @client.set_process_callback
    def process(frames):
        passed[:-frames] = passed[frames:]
        passed[-frames:] = sound_in.get_array()
        sound_out.get_array()[:] = np.fft.irfft(np.fft.rfft(passed) * spectrum, size)[-frames:]

    with client:
        while True:
            time.sleep(0.02)
            if (now := file.read_text()) != seen:
                seen = now
                spectrum = spectrum_of(json.loads(now), client.samplerate, size)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
