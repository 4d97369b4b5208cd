"""Pictures of frames: which bit travels where, and how the wires move."""
