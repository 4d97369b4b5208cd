"""Value change dumps: reader and writer."""
