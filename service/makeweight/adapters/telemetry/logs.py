"""Logs: structlog, one JSON object a line on stdout, one line for each order and stage."""

import logging
import sys
from typing import Any

import structlog

from makeweight.contracts.codec import dumps

_LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}


def configure(level: str) -> None:
    """Set up logging for the process. ``ValueError`` for a level that isn't one."""
    if level not in _LEVELS:
        raise ValueError(f"log level {level!r}: expected one of {', '.join(_LEVELS)}")
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(serializer=_serialize),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        logger_factory=structlog.BytesLoggerFactory(sys.stdout.buffer),
        cache_logger_on_first_use=True,
    )


def for_libraries(level: str) -> dict[str, Any]:
    """Configuration of the standard library's logging, so that what libraries say is JSON on stdout too."""
    shared = [structlog.processors.TimeStamper(fmt="iso", utc=True), structlog.stdlib.add_logger_name]
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "json": {
                "()": structlog.stdlib.ProcessorFormatter,
                "processors": [
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    structlog.processors.format_exc_info,
                    structlog.processors.JSONRenderer(),
                ],
                "foreign_pre_chain": [structlog.stdlib.add_log_level, *shared],
            }
        },
        "handlers": {"stdout": {"class": "logging.StreamHandler", "stream": "ext://sys.stdout", "formatter": "json"}},
        "root": {"level": max(_LEVELS[level], logging.INFO), "handlers": ["stdout"]},
        # They tell every rebalance step by step, and repeat each outage every second.
        "loggers": {name: {"level": "WARNING"} for name in ("aiokafka", "faust", "mode", "kafka")},
    }


def _serialize(event: dict[str, Any], **_: object) -> bytes:
    return dumps(event)


def logger() -> Any:
    """The program's logger."""
    return structlog.get_logger()
