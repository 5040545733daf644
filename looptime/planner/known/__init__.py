"""What a recorded run tells a plan: its timeline, the clock of each call, what a bus costs."""
