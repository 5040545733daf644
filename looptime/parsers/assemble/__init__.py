"""From rows to canonical runs: loops, nesting, self times, books that balance."""
