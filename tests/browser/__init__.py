"""Tests that drive a real Chromium against the real server."""
