"""Before and after: whether two sides differ, by how much, and why."""
