"""How figures are said."""

import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.words import count_text, fader_name, hz_text, listed


@pytest.mark.parametrize(
    ("hz", "said"),
    [
        (20.0, "20 Hz"),
        (31.5, "31.5 Hz"),
        (800.0, "800 Hz"),
        (1000.0, "1 kHz"),
        (1250.0, "1.25 kHz"),
        (12500.0, "12.5 kHz"),
        (20000.0, "20 kHz"),
    ],
)
def test_frequencies_are_said_as_the_faceplate_has_them(hz, said):
    assert hz_text(hz) == said


def test_every_nominal_frequency_is_lettered_differently_and_short():
    labels = [fader_name(hz) for hz in NOMINAL_HZ]
    assert len(set(labels)) == len(labels)
    assert max(map(len, labels)) <= 5
    assert labels[2] == "31.5"
    assert labels[18] == "1.25k"


def test_every_band_has_a_name_of_its_own():
    assert len({hz_text(hz) for hz in NOMINAL_HZ}) == NOMINAL_HZ.size


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], ""),
        (["front"], "front"),
        (["front", "back"], "front and back"),
        (["front", "middle", "back"], "front, middle and back"),
    ],
)
def test_lists_are_said_as_a_sentence_does(words, said):
    assert listed(words) == said


@pytest.mark.parametrize(
    ("count", "said"), [(0, "no"), (1, "one"), (10, "ten"), (11, "11"), (31, "31")]
)
def test_small_counts_are_words(count, said):
    assert count_text(count) == said
