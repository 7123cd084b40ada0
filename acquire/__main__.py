"""`python -m acquire` is the `lobetrace` command."""

from acquire.cli import main

main()
