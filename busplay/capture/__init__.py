"""From the changes of a capture to the symbols of a link; it knows links and no file formats."""
