"""Is a frame layout sound: undetected errors, time to sync, and what prevents sync.

Figures are computed, not estimated, wherever elimination over GF(2) or a finite Markov chain is
enough; simulated ones are marked and have their interval.
"""
