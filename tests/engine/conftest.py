"""What several tests of the local network need."""

import pytest

from tests.engine.lan_parts import GUEST, OPERATOR


@pytest.fixture
def tokens_file(tmp_path):
    path = tmp_path / "tokens"
    path.write_text(f"# who may ask\noperator {OPERATOR}\nguest {GUEST}\n")
    path.chmod(0o600)
    return path
