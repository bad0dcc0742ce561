"""`python -m bladeangle`, the same as the console script."""

from bladeangle.cli.main import main

if __name__ == "__main__":
    main()
