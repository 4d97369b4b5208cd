"""The wire and the receiver in step, on whole words, where faults are few."""
