"""How the loudspeakers stand, how they should, and whether that is worth the hands."""
