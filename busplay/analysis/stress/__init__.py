"""What breaks a link: sweeps over noise, lost edges, FIFO, service and busy times."""
