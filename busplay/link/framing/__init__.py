"""What each framing requires of a link, beyond the checks of its file."""
