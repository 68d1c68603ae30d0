"""Run the command line with ``python -m dossier``."""

from dossier.command.cli import main

if __name__ == "__main__":
    main()
