"""Tests of looptime.checks."""
