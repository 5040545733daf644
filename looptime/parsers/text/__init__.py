"""From bytes to columns: source, dialect, lines made fit to parse, cells, tables."""
