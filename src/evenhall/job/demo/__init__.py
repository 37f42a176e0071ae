"""The demo: an invented hall, its takes computed, its faults known."""
