"""The embedded service: started, used, stopped, and its reasons when it does not start."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest

from rillcast import Client, EmbeddedService, EmbeddedServiceError
from rillcast.embedded import missing_parts


def _process_is_gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A module that is started in place of the service."""

    def put(code: str) -> Path:
        package = tmp_path / "stand_in" / "rillcast_service"
        package.mkdir(parents=True)
        (package / "__init__.py").touch()
        (package / "serve.py").write_text(code)
        monkeypatch.setenv("PYTHONPATH", str(package.parent))
        return package.parent

    return put


ANSWERS = """
import json, os, signal, sys, time
named = [argument for argument in sys.argv[1:] if argument != "--with-parent"]
options = dict(zip(named[::2], named[1::2]))
os.makedirs(options.get("--data", "."), exist_ok=True)
seen = {"url": "http://127.0.0.1:9", "pid": os.getpid(), "arguments": sys.argv[1:],
        "settings": sorted(name for name in os.environ if name.startswith("RILLCAST_"))}
open(os.environ["STAND_IN_SEEN"], "w").write(json.dumps(seen))
with open(options["--ready-file"], "w") as ready:
    json.dump(seen, ready)
signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
time.sleep(60)
"""


def test_a_temporary_service_has_its_own_folder_and_none_of_the_settings(stand_in, tmp_path, monkeypatch):
    import json

    stand_in(ANSWERS)
    monkeypatch.setenv("STAND_IN_SEEN", str(tmp_path / "seen.json"))
    monkeypatch.setenv("RILLCAST_DATABASE_URL", "postgresql+psycopg://precious/production")
    with EmbeddedService() as service:
        seen = json.loads((tmp_path / "seen.json").read_text())
        assert service.url == "http://127.0.0.1:9"
        data = Path(seen["arguments"][seen["arguments"].index("--data") + 1])
        assert data.is_dir()
        assert seen["settings"] == []
        assert seen["arguments"][:5] == ["--host", "127.0.0.1", "--port", "0", "--with-parent"]
    assert _process_is_gone(seen["pid"])
    assert not data.exists()
    with pytest.raises(EmbeddedServiceError, match="not running"):
        _ = service.url


def test_the_usual_service_keeps_settings_and_data(stand_in, tmp_path, monkeypatch):
    import json

    stand_in(ANSWERS)
    monkeypatch.setenv("STAND_IN_SEEN", str(tmp_path / "seen.json"))
    monkeypatch.setenv("RILLCAST_DATA", str(tmp_path / "mine"))
    with EmbeddedService(temporary=False):
        seen = json.loads((tmp_path / "seen.json").read_text())
        assert "--data" not in seen["arguments"]
        # the addresses of test servers may be set around us
        ours = [name for name in seen["settings"] if not name.startswith("RILLCAST_TEST_")]
        assert ours == ["RILLCAST_DATA"]
    with EmbeddedService(data=tmp_path / "named"):
        pass
    assert (tmp_path / "named").is_dir(), "a named folder stays"


def test_a_service_that_ends_at_once_gives_its_last_words(stand_in):
    stand_in("import sys; print('settings read', flush=True); sys.exit('port 8000 is taken')")
    with pytest.raises(EmbeddedServiceError, match="port 8000 is taken"), EmbeddedService():
        pass


def test_a_service_that_never_gets_ready_is_given_up_and_stopped(stand_in, tmp_path, monkeypatch):
    pid_file = tmp_path / "pid"
    monkeypatch.setenv("STAND_IN_PID", str(pid_file))
    stand_in("import os, time; open(os.environ['STAND_IN_PID'], 'w').write(str(os.getpid())); time.sleep(60)")
    with pytest.raises(EmbeddedServiceError, match="not ready"), EmbeddedService(start_timeout_s=1.0):
        pass
    assert _process_is_gone(int(pid_file.read_text()))


def test_the_real_service_starts_answers_and_goes():
    assert missing_parts() == ()
    started = time.monotonic()
    with EmbeddedService() as service, Client(service.url) as client:
        assert client.ready()["status"] == "ready"
        assert {route.route for route in client.routes()} >= {"cast_printed_mould", "printed_monolith"}
    assert time.monotonic() - started < 45
    with pytest.raises(EmbeddedServiceError):
        _ = service.url
    assert sys.modules.get("rillcast_service.serve") is None, "the service lives in its own process"
