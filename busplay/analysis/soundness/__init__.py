"""Is a frame layout sound: what goes undetected, how long coming into sync takes, what holds it up.

Computed, not estimated, wherever elimination over GF(2) or a finite Markov chain can tell; what
is simulated says so and carries its interval.
"""
