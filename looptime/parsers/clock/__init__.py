"""Steps of a clock told apart, and wraps undone."""
