"""The books of a run: what became of every frame sent and of every fault put in."""
