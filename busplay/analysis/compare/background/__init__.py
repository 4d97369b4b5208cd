"""What all frames do, damaged or not: what damage has to be held against."""
