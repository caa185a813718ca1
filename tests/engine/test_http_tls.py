"""Everything encrypted with the operator's own certificate: page, questions and events over a real handshake."""

import http.client
import os
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
import trustme

from controller.engine.http.access import place
from controller.engine.http.server import tls_context
from controller.errors import TundishError
from tests.engine.lan_parts import GUEST, OPERATOR
from tests.engine.test_http_lan import engine_process, free_port

AUTHORITY = trustme.CA()


@pytest.fixture
def chain(tmp_path):
    return written(tmp_path, "one", AUTHORITY.issue_cert("localhost"))


def written(folder, name, issued):
    certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
    certificate.write_bytes(b"".join(one.bytes() for one in issued.cert_chain_pems))
    key.write_bytes(issued.private_key_pem.bytes())
    return certificate, key


@contextmanager
def engine(tokens_file, certificate, key):
    """An engine on the network, once it is ready; its port."""
    with tempfile.TemporaryDirectory(prefix="tun") as name, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(f"{name}/notify")
        systemd.settimeout(60)
        port = free_port()
        words = ("--lan", f"127.0.0.1:{port}", "--lan-name", "localhost", "--tokens", str(tokens_file))
        process = engine_process(Path(name), *words, "--certificate", str(certificate), "--key", str(key))
        try:
            assert systemd.recv(100) == b"READY=1"
            yield port
            process.send_signal(signal.SIGTERM)
            _, log = process.communicate(timeout=30)
        finally:
            process.kill()
            process.wait()
    assert process.returncode == 0, log.decode()
    assert b"request_failed" not in log


def trusting(authority):
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


def ask(port, path, token=None, context=None):
    connection = http.client.HTTPSConnection("localhost", port, timeout=30, context=context or trusting(AUTHORITY))
    connection.request("GET", path, headers={} if token is None else {"Authorization": f"Bearer {token}"})
    return connection, connection.getresponse()


def test_page_questions_and_events_go_over_a_handshake_that_a_browser_would_accept(tokens_file, chain):
    with engine(tokens_file, *chain) as port:
        connection, answer = ask(port, "/")
        assert (answer.status, b'<script type="module"' in answer.read()) == (200, True)
        assert connection.sock.version() in ("TLSv1.2", "TLSv1.3")
        connection.close()
        for token, path, status in ((None, "/v1/menu", 401), (GUEST, "/v1/menu", 200), (GUEST, "/v1/status", 403)):
            connection, answer = ask(port, path, token)
            assert answer.status == status
            connection.close()
        connection, answer = ask(port, "/v1/events", OPERATOR)
        assert answer.status == 200
        lines = [answer.readline() for _ in range(2)]
        assert lines[0].startswith(b"id: ")
        assert lines[1] == b"event: status\n"
        connection.close()
        with pytest.raises(ssl.SSLCertVerificationError):
            ask(port, "/", context=trusting(trustme.CA()))
        old = trusting(AUTHORITY)
        with pytest.warns(DeprecationWarning):
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        with pytest.raises((ssl.SSLError, OSError)):
            ask(port, "/", context=old)
        with pytest.raises((http.client.HTTPException, OSError)):
            plain = http.client.HTTPConnection("localhost", port, timeout=30)
            plain.request("GET", "/v1/menu", headers={"Authorization": f"Bearer {GUEST}"})
            plain.getresponse()
        connection, answer = ask(port, "/")  # whoever failed has disturbed nobody
        assert answer.status == 200
        connection.close()


def encrypted(key):
    """The same key under a password."""
    command = ["openssl", "pkey", "-in", str(key), "-aes256", "-passout", "pass:jam", "-out", str(key) + ".locked"]
    subprocess.run(command, check=True, stderr=subprocess.PIPE)
    return Path(str(key) + ".locked")


def bad_chains(folder):
    """Certificate and key that do not work, and what the message says of them."""
    certificate, key = written(folder, "one", AUTHORITY.issue_cert("localhost"))
    _, other = written(folder, "other", AUTHORITY.issue_cert("localhost"))
    note, cut = folder / "note.txt", folder / "cut.pem"
    note.write_text("the certificate is in the drawer\n")
    cut.write_bytes(certificate.read_bytes()[:400])
    return {
        "another key": (certificate, other, "does not belong to the certificate"),
        "no certificate": (note, key, "not in PEM form"),
        "no key": (certificate, note, "not in PEM form"),
        "cut off": (cut, key, "cannot be used"),
        "not there": (folder / "none.pem", key, "cannot be read: No such file"),
    }


@pytest.mark.parametrize("name", ["another key", "no certificate", "no key", "cut off", "not there"])
def test_a_certificate_and_key_that_do_not_work_are_named_together(tmp_path, name):
    certificate, key, why = bad_chains(tmp_path)[name]
    with pytest.raises(TundishError, match=why) as caught:
        tls_context(place("127.0.0.1:8443", (), (certificate, key)))
    assert all(str(one) in str(caught.value) for one in (certificate, key))


@pytest.mark.skipif(not Path("/usr/bin/openssl").exists(), reason="no openssl to put a key under a password with")
def test_a_key_under_a_password_is_refused_at_once_and_nobody_is_asked_for_it(chain):
    certificate, key = chain
    with pytest.raises(TundishError, match="password"):
        tls_context(place("127.0.0.1:8443", (), (certificate, encrypted(key))))


def test_the_engine_does_not_start_with_another_key_and_says_why(tokens_file, tmp_path):
    certificate, key, _ = bad_chains(tmp_path)["another key"]
    command = [
        *(sys.executable, "-m", "controller.cli", "engine", "--certificate", str(certificate), "--key", str(key)),
        *("--profile", "hardware_profiles/bench_six_line.yaml", "--book", "demo/orchard_fete.yaml"),
        *("--run-dir", str(tmp_path / "run"), "--state-dir", str(tmp_path / "state")),
        *("--lan", f"127.0.0.1:{free_port()}", "--tokens", str(tokens_file)),
    ]
    done = subprocess.run(
        command, check=False, cwd=Path(__file__).parents[2], env=os.environ, capture_output=True, timeout=60
    )
    said = done.stderr.decode()
    assert (done.returncode, "the key does not belong to the certificate" in said) == (1, True), said
    assert "Traceback" not in said
