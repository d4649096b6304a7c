"""`python -m rushlight` is the `rushlight` command."""

from rushlight.cli import main

main()
