"""Where sockets and records lie when nobody says so."""

import os

import pytest

from controller.cli import places
from controller.errors import TundishError


@pytest.fixture
def service(tmp_path, monkeypatch):
    """Stands for the folder that the installed service makes."""
    folder = tmp_path / "run-tundish"
    monkeypatch.setattr(places, "SERVICE_RUN_DIR", folder)
    monkeypatch.setattr(places, "SERVICE_STATE_DIR", tmp_path / "var-lib-tundish")
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "user"))
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    return folder


def listen(folder):
    """As an engine leaves it that listens there."""
    (folder / places.ENGINE).parent.mkdir(parents=True)
    (folder / places.ENGINE).touch()


def test_a_place_that_is_given_is_used(service, tmp_path):
    assert places.run_dir_to_use(tmp_path / "given") == tmp_path / "given"
    assert places.run_dir_to_fill(tmp_path / "given") == tmp_path / "given"
    assert (tmp_path / "given").stat().st_mode & 0o777 == 0o700
    assert places.state_dir_to_use(tmp_path / "records") == tmp_path / "records"


def test_the_user_s_own_folder_where_no_service_is_installed(service, tmp_path):
    assert places.run_dir_to_use(None) == tmp_path / "user" / "tundish"
    assert places.state_dir_to_use(None) == tmp_path / "home" / ".local" / "state" / "tundish"


def test_an_engine_that_runs_is_found_before_an_empty_folder_of_the_service(service, tmp_path):
    service.mkdir()
    assert places.run_dir_to_use(None) == service
    own = tmp_path / "user" / "tundish"
    listen(own)
    assert places.run_dir_to_use(None) == own
    listen(service)
    assert places.run_dir_to_use(None) == service


def test_the_records_of_the_service_where_they_may_be_written(service, tmp_path):
    (tmp_path / "var-lib-tundish").mkdir()
    assert places.state_dir_to_use(None) == tmp_path / "var-lib-tundish"


def test_a_folder_that_somebody_else_made_for_us_is_refused(service, tmp_path, monkeypatch):
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    mine = places.run_dir_to_fill(None)
    assert mine.parent == tmp_path
    other = mine.stat().st_uid + 1
    monkeypatch.setattr(os, "getuid", lambda: other)
    (tmp_path / f"tundish-{other}").mkdir()
    with pytest.raises(TundishError, match="somebody else"):
        places.run_dir_to_fill(None)


def test_a_folder_that_cannot_be_made_is_reported(service, tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(TundishError, match="--run-dir"):
        places.run_dir_to_fill(tmp_path / "file" / "run")
