"""Ledgers of tests lie in memory where the system has files there: nobody pulls a plug, and thousands of syncs wait."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

IN_MEMORY = Path("/dev/shm")


@pytest.fixture
def tmp_path(tmp_path):
    if not IN_MEMORY.is_dir():
        yield tmp_path
        return
    with TemporaryDirectory(dir=IN_MEMORY) as folder:
        yield Path(folder)
