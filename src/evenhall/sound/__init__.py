"""Where takes come from: recordings and the simulated hall."""
