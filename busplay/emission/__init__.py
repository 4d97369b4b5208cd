"""From a description to files that implement it: firmware, vectors, headers, a data sheet."""
