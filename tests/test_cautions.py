from __future__ import annotations

from evenhall.cautions import CAUTIONS, LIFTING, MAINS, MUTING, care


def test_cautions_cover_what_can_hurt_and_defer_to_the_law() -> None:
    said = dict(CAUTIONS)
    assert list(said) == ["Ears", "Lifting and rigging", "Mains", "Drivers"]
    # NIOSH recommended exposure limit: 85 dB(A) for 8 h, 3 dB exchange. WHO global standard for
    # safe listening venues and events (2022): 100 dB L_Aeq over 15 minutes.
    assert "85 dB(A) for 8 hours" in said["Ears"]
    assert "each 3 dB more halves the time" in said["Ears"]
    assert "100 dB(A) over 15 minutes" in said["Ears"]
    for head in ("Lifting and rigging", "Mains"):
        assert "local codes" in said[head]
        assert "licensed" in said[head]


def test_care_is_what_a_move_does_not_say_itself() -> None:
    assert care("raise", "Raise both.").startswith(LIFTING)
    said = care("raise", f"Raise both. {LIFTING} The seats gain 1 dB.")
    assert "people from under it" in said
    assert LIFTING not in said
    assert care("polarity", "Flip it.") == f"{MUTING} {MAINS}"
    assert care("equalize", "Set the card.") == ""
