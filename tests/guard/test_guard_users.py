"""Who may speak to the guard's socket: the kernel names the user at the other end."""

import os
import subprocess
import sys
from collections.abc import Iterator

import pytest

from tests.guard.guard_socket import Live

IN_THE_GROUP = """
import os, socket, sys
connection = socket.socket(socket.AF_UNIX)
connection.settimeout(5)
os.chdir(sys.argv[1]); os.setgroups([]); os.setgid(61000); os.setuid(int(sys.argv[2]))
connection.connect("guard.sock")
connection.sendall(b'{"type":"hello","version":1,"role":"%s"}\\n' % sys.argv[3].encode())
print(connection.recv(1000).decode()[:60])
"""


@pytest.fixture
def live(tmp_path) -> Iterator[Live]:
    made = Live(tmp_path)
    yield made
    made.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize(
    ("user", "role", "answer"),
    [(61_001, "engine", '"type":"report"'), (61_003, "observer", '"type":"report"'), (61_003, "engine", '"refusal"')],
)
def test_in_the_group_only_the_engine_s_user_may_be_the_engine(live, user, role, answer):
    live.server._group, live.server._engine_user = 61_000, 61_001
    folder = os.path.dirname(live.path)  # noqa: PTH120
    os.chmod(folder, 0o755)  # noqa: PTH101
    os.chmod(live.path, 0o666)  # noqa: PTH101
    words = [sys.executable, "-c", IN_THE_GROUP, folder, str(user), role]
    assert answer in subprocess.run(words, capture_output=True, text=True, timeout=30, check=True).stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_another_user_is_turned_away(live):
    os.chmod(live.path, 0o777)  # noqa: PTH101 - the socket's own mode would turn it away even before
    folder = os.path.dirname(live.path)  # noqa: PTH120
    code = (
        "import os, socket, sys\n"
        "s = socket.socket(socket.AF_UNIX)\n"
        "os.chdir(sys.argv[1]); os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "s.connect('guard.sock'); s.settimeout(5)\n"
        'try: s.sendall(b\'{"type":"stop"}\\n\')\n'
        "except OSError: pass\n"
        "print(len(s.recv(100)))\n"
    )
    os.chmod(folder, 0o755)  # noqa: PTH101
    done = subprocess.run([sys.executable, "-c", code, folder], capture_output=True, text=True, timeout=30, check=False)
    assert done.stdout.strip() == "0" or "reset" in done.stderr.lower()
