"""``python -m arrayopt`` is the command line."""

from arrayopt.cli import main

main()
