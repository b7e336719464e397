"""`python -m blend`, the same as the command `blend`."""

from blend.cli import main

if __name__ == "__main__":
    main()
