"""What compilers and checkers say of emitted files, and the figures that they give."""
