"""What the takes together say, and what to do about it."""
