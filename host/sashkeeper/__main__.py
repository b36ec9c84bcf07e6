"""Lets ``python -m sashkeeper`` do what ``sashkeeper`` does."""

from sashkeeper.cli import main

if __name__ == "__main__":
    main(prog_name="sashkeeper")
