"""The sound process: `python -m evenhall.sound.live.process`, one order in JSON on standard input.

It opens devices, lets an `Engine` serve them, and ends when the asker has enough or is gone. Its
answers are lines of JSON on standard output.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from contextlib import nullcontext
from dataclasses import asdict
from pathlib import Path
from threading import Thread
from typing import Any

from evenhall.errors import DeviceError
from evenhall.sound.live.device import open_streams, present_devices
from evenhall.sound.live.engine import Engine
from evenhall.sound.live.exchange import Exchange, Layout
from evenhall.sound.live.holding import held

__all__ = ["main"]

TURN_S = 0.05
# Once the asker is gone the process lives no longer than this, even if a driver hangs.
ORPHAN_S = 5.0


def _say(**words: object) -> None:
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()


def _outlive(engine: Engine) -> None:
    """Wait for the asker's end; then fade out at once, and end even if a driver hangs.

    The asker keeps the other end of standard input open for as long as it lives, however busy it
    is. It is read past Python's buffer, whose lock bars the way out.
    """
    while os.read(0, 1024):
        pass
    engine.let_go()
    time.sleep(ORPHAN_S)
    os._exit(0)


def _run(order: dict[str, Any]) -> None:
    """Open the devices and wait until the asker has enough or is gone, or they are gone."""
    exchange = Exchange.open(Layout(**order["layout"]), Path(order["memory"]))
    engine = Engine(
        exchange, rate_hz=order["rate_hz"], limit_s=order["limit_s"], ceiling=order["ceiling"]
    )
    Thread(target=_outlive, args=(engine,), daemon=True).start()
    plays_on = order["output_name"]
    with held(plays_on) if plays_on else nullcontext():
        streams = open_streams(engine, order)
        for stream in streams:
            stream.start()
        _say(ready=True)
        while not (int(exchange.asked["quit"]) or engine.asker_gone):
            if not all(stream.active for stream in streams):
                exchange.told["dead"][...] = 1
                # Closing a stream whose driver has died can hang for good, and so can the usual
                # way out: leave it.
                os._exit(0)
            time.sleep(TURN_S)
        while engine.asker_gone and not engine.silent:
            time.sleep(TURN_S)  # it fades out first
        time.sleep(TURN_S)  # and the fade leaves the device: closing drops what still waits in it
        for stream in streams:
            stream.close()


def main() -> None:
    """Do the one order that stands on standard input."""
    # Ctrl-C is for the asker, who then stops the sound in good order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    order = json.loads(sys.stdin.readline())
    try:
        if order["do"] == "list":
            _say(devices=[asdict(device) for device in present_devices()])
        else:
            _run(order)
    except DeviceError as error:
        _say(fault=str(error))


if __name__ == "__main__":
    main()
