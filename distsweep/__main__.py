"""``python -m distsweep``."""

from distsweep.cli import main

main()
