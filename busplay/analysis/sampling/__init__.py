"""Whether an analyser of a stated rate can see a link: worked out, and tried."""
