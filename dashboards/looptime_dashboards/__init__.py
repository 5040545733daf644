"""The looptime dashboard: Dash pages over the looptime API."""
