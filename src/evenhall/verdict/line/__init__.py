"""The line check: whether every element works, and both sides match."""
