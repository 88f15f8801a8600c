"""One file per thing a caller wants done."""
