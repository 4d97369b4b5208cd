"""The compiled core: machine code made from the table of instructions; begin with `machine`."""
