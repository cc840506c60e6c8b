"""`python -m shaftloop.cli`."""

from shaftloop.cli.main import main

main()
