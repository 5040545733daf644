"""Did it get slower, and may we say so: comparison, gate, season store, trends."""
