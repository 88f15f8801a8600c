"""Command line: `python -m seed_demo FOLDER [--as-of 2026-06-30]`."""

import argparse
from datetime import date
from pathlib import Path

from seed_demo.plant import DEMO_AS_OF
from seed_demo.writing import write_demo_plant


def main() -> None:
    """Write the invented plant into the folder named on the command line."""
    parser = argparse.ArgumentParser(prog="seed_demo", description="Write an invented plant with its history.")
    parser.add_argument("folder", type=Path, help="where the CSV files go")
    parser.add_argument("--as-of", type=date.fromisoformat, default=DEMO_AS_OF, help="last day of the history")
    arguments = parser.parse_args()
    write_demo_plant(arguments.folder, as_of=arguments.as_of)


if __name__ == "__main__":
    main()
