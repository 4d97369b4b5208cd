"""A folder to begin with: board, link, programs, tests and a Makefile, as `busplay new` writes it.

`files/` holds what a user gets, file by file as it will stand there: `NAME.in` becomes `NAME`,
`dot-NAME` becomes `.NAME`, `%%{value}` what was chosen. They are files of the package, not texts in
code, because they are the first code that a user reads, and so that they can be read as such here.
"""
