"""Find frames that arrived, but not in their order."""
