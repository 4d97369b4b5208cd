"""Two recordings of the same program held against each other: `compare_traces`."""
