"""Small controls, each a pure function from its state to a draw list; none knows pygame."""
