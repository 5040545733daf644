"""From the bytes of a log to canonical runs."""
