"""SVG drawings, the same for screen and paper."""
