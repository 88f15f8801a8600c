"""Logs: one JSON object per line on standard error, so that standard output is left to answers."""

import sys

import structlog


def configure_logs() -> None:
    """Send the logs of this process where they belong."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ],
        # what only a developer wants is told to no terminal: how far a run is stands at /v1/runs
        wrapper_class=structlog.make_filtering_bound_logger("info"),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
