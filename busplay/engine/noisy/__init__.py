"""The wire and the receiver in sync, on whole words, where faults are few."""
