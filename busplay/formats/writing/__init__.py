"""Writers of captures: value change dumps and CSV."""
