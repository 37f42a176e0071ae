"""The card: what is asked of the faders, and what a seat then hears."""
