"""What recorded runs and descriptions tell, as figures; nothing here runs a program."""
