"""The key that stops the sound."""

from __future__ import annotations

import os
import pty
import sys
import termios

from evenhall.cli.keys import any_key


def test_any_key_is_noticed_without_enter_and_the_terminal_is_left_as_it_was(monkeypatch):
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        before = termios.tcgetattr(stdin)
        with any_key() as pressed:
            assert not pressed()
            os.write(master, b"x")
            assert pressed()
        assert termios.tcgetattr(stdin) == before
    os.close(master)


def test_nobody_at_the_keyboard_presses_nothing(monkeypatch):
    with open(os.devnull) as nobody:
        monkeypatch.setattr(sys, "stdin", nobody)
        with any_key() as pressed:
            assert not pressed()
