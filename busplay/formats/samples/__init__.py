"""Sample bytes, raw or in a session file."""
