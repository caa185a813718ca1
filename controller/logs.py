"""Logs: fixed event words with fields; JSON for the system journal, readable lines on a terminal."""

import logging
import sys

import structlog


def set_up(process: str) -> None:
    """Send this process's log to standard error, every entry bound to the process's name."""
    on_terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if on_terminal else structlog.processors.JSONRenderer()
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
    )
    structlog.contextvars.bind_contextvars(process=process)
