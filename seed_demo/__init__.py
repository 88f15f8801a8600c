"""An invented plant with history."""

from seed_demo.writing import write_demo_plant

__all__ = ["write_demo_plant"]
