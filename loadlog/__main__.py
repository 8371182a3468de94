"""``python -m loadlog`` and the ``loadlog`` command."""

import sys

from loadlog.cli.main import run


def main() -> None:
    """Run the command line and leave with its exit status."""
    sys.exit(run(sys.argv[1:], own_process=True))


if __name__ == "__main__":
    main()
