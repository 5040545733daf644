"""A control loop on real clocks, and the command that records the sample logs with it."""
