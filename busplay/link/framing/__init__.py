"""What each way of framing asks of a link, beyond what its file can say wrong word by word."""
