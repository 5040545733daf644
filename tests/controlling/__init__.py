"""Tests of what the pace does to controllers and steered wheels."""
