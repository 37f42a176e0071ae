"""What the terminal says while faders are set."""

from dataclasses import replace

import pytest

from evenhall.cli.faders import side_of
from evenhall.cli.watching import TerminalWatch, guidance_lines
from evenhall.errors import InputError
from evenhall.job.live.watch import Guided
from evenhall.verdict.proof.guiding import Guidance

DOWN = Guidance(
    hz=1250.0,
    now_db=-1.5,
    wanted_db=-4.0,
    uncertainty_db=0.3,
    way="down",
    text="down 2.5",
    left_hz=(1250.0, 4000.0),
    unheard_hz=(31.5,),
    stray=("80 was moved: set it back to 0.",),
)


def test_fader_in_hand_stands_large_on_the_first_line_and_its_way_on_the_second():
    large, way, left, stray = guidance_lines(DOWN).splitlines()
    assert large.replace(" ", "") == "1.25KDOWN2.5"
    # 2.5 dB above its place: right of the mark, 12 cells for 6 dB.
    assert way.index("\u25a0") - way.index("|") == 5
    assert "now -1.5 +-0.3, card -4.0 dB" in way
    assert (left, stray) == ("Left: 1.25k, 4k", DOWN.stray[0])


def test_what_stays_is_said_once():
    said, shown = [], []
    watch = TerminalWatch(shown.append, said.append)
    stands = replace(DOWN, hz=4000.0, left_hz=(4000.0,))
    for guidance, before, stood in (
        (DOWN, None, ()),
        (DOWN, DOWN, ()),
        (stands, DOWN, ((1250.0, -4.0),)),
        (stands, stands, ()),
    ):
        watch.tell(Guided(guidance, before, stood))
    assert said == [
        "Set 31.5 by the scale: too little of them is heard here.",
        "80 was moved: set it back to 0.",
        "1.25k is set.",
    ]
    assert len(shown) == 4


def test_card_of_a_side_is_found():
    both, apart = {"both": {250.0: -4.0}}, {"left": {250.0: -4.0}, "right": {250.0: -2.0}}
    assert side_of(both, None) == side_of(both, "right") == {250.0: -4.0}
    assert side_of(apart, "right") == {250.0: -2.0}
    with pytest.raises(InputError, match=r"differs from side to side\. Name one .* left or right"):
        side_of(apart, None)
    with pytest.raises(InputError, match='no side "sub"'):
        side_of(apart, "sub")
