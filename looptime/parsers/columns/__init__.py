"""What a log's columns say: headers, units, clocks, signals."""
