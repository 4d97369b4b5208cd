"""`python -m busplay` is the command `busplay`."""

from busplay.cli.main import main

if __name__ == "__main__":
    main()
