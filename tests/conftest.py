"""Shared by all tests: nothing is left behind."""

import threading

import pytest
import structlog


@pytest.fixture(autouse=True)
def nothing_left_behind():
    before = set(threading.enumerate())
    yield
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    left = {thread for thread in threading.enumerate() if thread not in before and not thread.daemon}
    assert not left, f"a test left threads running: {left}"
