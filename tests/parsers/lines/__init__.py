"""Tests of the logs of lines that are no table."""
