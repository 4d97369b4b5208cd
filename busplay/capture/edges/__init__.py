"""A clock's edges, compiled."""
