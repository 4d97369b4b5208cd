"""The shipped programs, for the made-up Dunlin board."""
