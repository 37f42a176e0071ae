"""Evenhall: from a few recordings in a small room to a worklist and a card for the rack."""

__version__ = "0.2.0"
