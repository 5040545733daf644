"""A season: entries of many runs, how they are added and asked for, and their trends."""
