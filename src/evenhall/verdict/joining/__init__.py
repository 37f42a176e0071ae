"""Subs and delay loudspeakers: how they are put in time with the mains."""
