"""Sound devices: what is played and heard while it happens.

    device.py         which devices there are, and which one a name means
    setup.py          the chosen devices and channels, remembered from visit to visit
    choosing.py       from what a person says to such a setup
    exchange.py       memory shared with the process that runs the devices
    process.py        that process: devices opened, served, and left
    engine.py         its callback: what is played and heard, safe by itself
    holding.py        one program at a time on a device
    open_devices.py   what real and simulated devices have in common
    session.py        the asking side: play, stop, read
    simulated.py      the same side of a hall that is computed
    watchdog.py       know when a device is gone
    capture.py        record while something plays
    latency.py        the device's own delay, by a cable

Devices run in a process of their own. A driver that hangs takes nothing with it, no computing
makes the sound stutter, and when the asker dies the sound stops. Start at `session.Live`.
"""
