"""``python -m craterfront``."""

from craterfront.cli import main

main()
