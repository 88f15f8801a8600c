"""Pure numerics: arrays and frozen dataclasses in, the same out; no I/O, clock, log or pseudo-random number."""
