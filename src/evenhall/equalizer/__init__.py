"""Models of graphic equalizers and the solver that sets their faders."""
