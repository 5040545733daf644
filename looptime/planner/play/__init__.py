"""A recorded run played again with changes."""
