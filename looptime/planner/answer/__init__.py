"""A plan's figures, with the intervals that they deserve."""
