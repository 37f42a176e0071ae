"""Which device a name means."""

from __future__ import annotations

import pytest

from evenhall.errors import DeviceError, InputError
from evenhall.sound.live.device import Device, find_device


def device(number, name, *, host="ALSA", inputs=2, outputs=2, default=False, program=False):
    return Device(number, name, host, inputs, outputs, 48_000.0, default, default, program)


DEVICES = (
    device(0, "Built-in microphone", inputs=1, outputs=0),
    device(1, "Built-in output", inputs=0, default=True),
    device(2, "USB interface"),
    device(3, "USB interface", host="JACK"),
    device(4, "Green USB box"),
)


@pytest.mark.parametrize(
    ("wanted", "way", "number"),
    [
        ("4", "input", 4),
        ("green", "input", 4),
        ("built-in", "input", 0),
        ("built-in", "output", 1),
        ("USB interface (JACK)", "output", 3),
        ("usb interface (alsa)", "output", 2),
        (None, "output", 1),
        (None, "input", 0),
    ],
)
def test_number_name_or_a_part_of_it_means_a_device(wanted, way, number):
    assert find_device(DEVICES, wanted, way).number == number


def test_whole_name_wins_over_a_part_of_another():
    devices = (device(0, "USB"), device(1, "USB two"))
    assert find_device(devices, "usb", "input").number == 0


def test_ambiguous_name_is_answered_with_the_candidates():
    with pytest.raises(InputError) as caught:
        find_device(DEVICES, "usb interface", "input")
    assert str(caught.value) == (
        '"usb interface" may be any input of 2 "USB interface (ALSA)", 3 "USB interface (JACK)". '
        "Give a number or more of the name."
    )


def test_unknown_name_is_answered_with_what_there_is():
    with pytest.raises(InputError) as caught:
        find_device(DEVICES[:2], "usb2", "input")
    assert str(caught.value) == (
        'No input is called "usb2". There are: 0 "Built-in microphone (ALSA)". '
        "Give a number or part of a name."
    )


def test_output_is_no_input():
    with pytest.raises(InputError, match='No input is called "1"'):
        find_device(DEVICES[:2], "1", "input")


def test_computer_without_an_input():
    with pytest.raises(DeviceError, match="There is no sound input on this computer"):
        find_device(DEVICES[1:2], None, "input")


SERVER = (
    device(0, "green tea", host="JACK", program=True, default=True),
    device(1, "system", host="JACK"),
    device(2, "greenhouse", host="JACK", program=True),
    device(3, "Green USB box"),
)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [(None, 1), ("green", 3), ("greenhouse", 2), ("2", 2), ("tea", 0), ("green tea (JACK)", 0)],
)
def test_program_on_the_sound_server_is_meant_only_where_no_device_is(wanted, number):
    assert find_device(SERVER, wanted, "input").number == number


def test_programs_stand_apart_among_the_candidates():
    with pytest.raises(InputError) as caught:
        find_device(SERVER, "blue", "input")
    assert str(caught.value) == (
        'No input is called "blue". There are: 1 "system (JACK)", 3 "Green USB box (ALSA)"; '
        'programs on the sound server: 0 "green tea (JACK)", 2 "greenhouse (JACK)". Give a number '
        "or part of a name."
    )


def test_computer_with_programs_alone_has_no_device():
    with pytest.raises(DeviceError, match="There is no sound input on this computer"):
        find_device(SERVER[:1], None, "input")
