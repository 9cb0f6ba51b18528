"""
The door: the one place that reads the command line, prints and exits.

Nothing here loads the heavy libraries before a command runs, so that ``tripplan --help`` is quick.
"""

from tripplan.cli.door import main

__all__ = ["main"]
