"""The printed hand-over."""
