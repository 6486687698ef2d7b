"""Lets `python -m flatten` run the command."""

from flatten.cli import main

raise SystemExit(main())
