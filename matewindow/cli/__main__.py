"""``python -m matewindow.cli``."""

from matewindow.cli import main

main()
