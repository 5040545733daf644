"""The check before a competition: fixed limits, and regression against a baseline."""
