"""``python -m tripplan`` does what ``tripplan`` does."""

from tripplan.cli import main

if __name__ == "__main__":
    main(prog_name="tripplan")
