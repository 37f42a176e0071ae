"""What the terminal shows and asks while something sounds."""

import io
from types import SimpleNamespace

import numpy as np
import pytest

from evenhall.acoustics.background import Background
from evenhall.acoustics.meter import Reading
from evenhall.cli.watching import TerminalWatch
from evenhall.errors import InputError
from evenhall.job.live.watch import Planned, Progress, Said, SetFaders, Solo
from evenhall.job.tune.unit import Setting
from evenhall.verdict.gain import GainHint
from evenhall.verdict.plan import Plan

SETTING = Setting(file="01.wav", faders_hz=(1000.0,), at_db=6.0)


@pytest.fixture
def terminal():
    """A watch, the lines that stay and those that change."""
    seen = SimpleNamespace(said=[], shown=[])
    with TerminalWatch(seen.shown.append, seen.said.append) as seen.watch:
        yield seen


def typed(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


@pytest.mark.parametrize(("text", "answer"), [("\n", "on"), ("q\n", "end")])
def test_hands_are_asked_to_solo_and_answer_by_enter(terminal, monkeypatch, capsys, text, answer):
    typed(monkeypatch, text)
    assert terminal.watch.ask(Solo("left")) == answer
    asked = capsys.readouterr().err
    assert asked == "Only left may sound: mute or unplug the others. Enter plays, q ends: "


def test_nobody_at_the_mixer_is_a_line(terminal, monkeypatch):
    typed(monkeypatch, "")
    with pytest.raises(InputError, match=r"^Nobody answered: only left may sound.* has to do that"):
        terminal.watch.ask(Solo("left"))


@pytest.mark.parametrize(
    ("text", "answer", "questions"),
    [("\n\n", "on", 2), ("\nq\n", "end", 2), ("k\n", "keep", 1), ("q\n", "end", 1), ("", "end", 1)],
)
def test_wrong_setting_is_said_and_asked_for_again_kept_or_ended(
    terminal, monkeypatch, capsys, text, answer, questions
):
    typed(monkeypatch, text)
    wanted = SetFaders(None, SETTING, 3, 14, "Not moved as told: 1k.")
    assert terminal.watch.ask(wanted) == answer
    assert terminal.said == ["Not moved as told: 1k."]
    asked = capsys.readouterr().err
    assert asked.count("q ends:") == questions
    assert ("3 of 14. " in asked) == (questions == 2)


def test_lines_that_stay_and_the_line_that_changes(terminal):
    quiet = Reading(-60.0, -60.0, -60.0, -60.0, clipped=False)
    terminal.watch.tell(Said("Quiet, please."))
    for level_dbfs in (-52.4, -np.inf):
        room = Background(np.zeros(31), level_dbfs)
        terminal.watch.tell(Planned(Plan(8.0, -20.0, 0.0, "Plays 8 s."), room))
    assert terminal.said == [
        "Quiet, please.",
        "Background: -52 dBFS(A). Plays 8 s.",
        "Background: none. Plays 8 s.",
    ]
    terminal.watch.tell(Progress((quiet,), 2.0, 8.0))
    terminal.watch.tell(Progress((quiet,), hint=GainHint("up", 6.0, "Up 6 dB.")))
    timed, hinted = terminal.shown
    assert timed.startswith("   6 s  mic ")
    assert hinted.splitlines() == [timed.removeprefix("   6 s  "), "Up 6 dB."]


def test_no_key_stops_where_nobody_types(terminal):
    assert not terminal.watch.stop_wanted()
