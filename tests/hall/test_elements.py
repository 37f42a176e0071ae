"""What an element is, by its name."""

import pytest

from evenhall.hall.elements import Element


@pytest.mark.parametrize("name", ["left", "right", "mono", "centre", "Left top"])
def test_mains(name):
    assert Element.named(name).is_main


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *(("sub", "sub"), ("Sub left", "sub"), ("subwoofer", "sub"), ("left sub", "sub")),
        *(("Subs", "sub"), ("delay", "delay"), ("delay 2", "delay"), ("front fill", "fill")),
        *(("monitor", "monitor"), ("Monitors", "monitor")),
    ],
)
def test_others(name, kind):
    assert Element.named(name).kind == kind
    assert not Element.named(name).is_main


@pytest.mark.parametrize(
    ("name", "side"), [("left", "left"), ("sub Right", "right"), ("mono", ""), ("leftover", "")]
)
def test_side(name, side):
    assert Element.named(name).side == side
