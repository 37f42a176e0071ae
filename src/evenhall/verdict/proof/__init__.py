"""The proof: whether what was asked for stands, and what it brought."""
