"""A log put right before loops are found in it: its clock, the order of its rows."""
