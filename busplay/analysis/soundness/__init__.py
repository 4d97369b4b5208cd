"""Is a frame layout sound: what passes that should not, how long finding and keeping step takes.

Computed, not estimated, wherever elimination over GF(2) or a finite Markov chain can tell; what
is sampled or simulated says so and carries its interval.
"""
