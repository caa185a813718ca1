import json
import shutil
import socketserver
import tempfile
import threading
from contextlib import suppress
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.cli.places import ENGINE


class CannedEngine(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    """Answers the command line's requests with canned answers on a socket: `answers[method, address] = status, body`.

    A body that is a list is sent as events, each (name, document).
    """

    daemon_threads = True

    def __init__(self, folder):
        path = folder / ENGINE
        path.parent.mkdir()
        super().__init__(str(path), _Handler)
        self.folder = folder
        self.answers = {}
        self.asked = []

    def bodies(self, address):
        return [body for _, asked, body in self.asked if asked == address]


class _Handler(BaseHTTPRequestHandler):
    server: CannedEngine

    def address_string(self):
        return "local"

    def log_message(self, *_):
        pass

    def _answer(self):
        length = int(self.headers.get("content-length", 0))
        body = json.loads(self.rfile.read(length)) if length else None
        address = self.path.removeprefix("/v1/")
        self.server.asked.append((self.command, address, body))
        status, content = self.server.answers.get((self.command, address), (404, {"detail": "nothing canned"}))
        self.send_response(status)
        if isinstance(content, list):
            self.end_headers()
            for name, document in content:
                self.wfile.write(f"event: {name}\ndata: {json.dumps(document)}\n\n".encode())
            return
        encoded = b"" if content is None else json.dumps(content).encode()
        self.send_header("Content-Length", str(len(encoded)))
        self.end_headers()
        with suppress(BrokenPipeError):  # a command that has what it needs does not wait for the rest
            self.wfile.write(encoded)

    do_GET = do_POST = do_PUT = _answer  # noqa: N815 -- names that http.server looks for


@pytest.fixture
def run_dir():
    """A short path: the name of a Unix socket may be 107 bytes long."""
    folder = Path(tempfile.mkdtemp(prefix="tun"))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def engine(run_dir):
    server = CannedEngine(run_dir)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def tundish(run_dir):
    """Run a command against the canned engine's folder."""

    def run(*words, typed=None, env=None):
        return CliRunner().invoke(main, list(words), input=typed, env={"TUNDISH_RUN_DIR": str(run_dir)} | (env or {}))

    return run
