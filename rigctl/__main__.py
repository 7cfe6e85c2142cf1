"""`python -m rigctl` is the command `rigctl`."""

from rigctl.cli import main

if __name__ == "__main__":
    main()
