"""Logs of every process but the guard: structlog writes the entries that `log_lines` describes."""

import logging
import sys
from contextlib import suppress

import structlog
from structlog.typing import EventDict, WrappedLogger

from controller.log_lines import Bound, in_journal, message_id


class Lines(structlog.PrintLogger):
    """Prints, and goes on when nobody reads any more: a process must not end by its log."""

    def msg(self, message: str) -> None:
        """Print one line."""
        with suppress(OSError):
            super().msg(message)

    log = debug = info = warn = warning = fatal = failure = err = error = critical = exception = msg


def set_up(process: str) -> None:
    """Send this process's log to standard error, every entry bound to the process's name."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            Bounded(),
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.dev.ConsoleRenderer() if sys.stderr.isatty() else _json_line,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=lambda *_: Lines(sys.stderr),
    )
    structlog.contextvars.bind_contextvars(process=process)
    logging.basicConfig(level=logging.WARNING, handlers=[Libraries()])


class Libraries(logging.Handler):
    """What libraries log goes the same way, and is bounded as all is."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log it as one of our words."""
        structlog.get_logger().warning(
            "library_said", library=record.name, text=record.getMessage(), exc_info=record.exc_info
        )


class Bounded:
    """`log_lines.Bound` as a step of structlog's."""

    def __init__(self) -> None:
        self._bound = Bound()

    def __call__(self, _logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
        """The event, or structlog.DropEvent."""
        left_out = self._bound(event["event"])
        if left_out is None:
            raise structlog.DropEvent
        return {**event, "left_out": left_out} if left_out else event


def _json_line(logger: WrappedLogger, method: str, event: EventDict) -> str:
    line = structlog.processors.JSONRenderer()(logger, method, {**event, **message_id(event["event"])})
    return in_journal(event["level"]) + (line if isinstance(line, str) else line.decode())
