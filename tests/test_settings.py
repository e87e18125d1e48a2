"""Settings: one name in environment, file and documentation; faults named all at once."""

from __future__ import annotations

import logging
import re
from dataclasses import fields
from pathlib import Path

import pytest

from rillcast_service import settings as module
from rillcast_service.settings import ApiKey, Settings, SettingsInvalid, hash_key

#: SHA-256 of "abc", FIPS 180-2 appendix B.1.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_nothing_given_is_a_safe_service_on_loopback(tmp_path: Path) -> None:
    settings = Settings.load({}, data=tmp_path)
    assert settings.on_loopback
    assert settings.api_keys == ()
    assert settings.queue_url == ""
    assert settings.database_url == f"sqlite:///{tmp_path}/rillcast.sqlite3"
    assert settings.compute == "rillcast_service.jobs.compute:compute"


def test_an_option_wins_over_the_environment_and_that_over_the_file(tmp_path: Path) -> None:
    (tmp_path / "rillcast.toml").write_text('port = 1\nthreads = 3\nlease_s = 45\nlog_level = "DEBUG"\n')
    environ = {"RILLCAST_DATA": str(tmp_path), "RILLCAST_PORT": "2", "RILLCAST_THREADS": "4"}
    settings = Settings.load(environ, port=5, host=None)
    assert (settings.port, settings.threads, settings.lease_s) == (5, 4, 45.0)
    assert settings.log_level == "DEBUG"
    assert settings.host == "127.0.0.1"


def test_the_file_may_lie_elsewhere(tmp_path: Path) -> None:
    path = tmp_path / "elsewhere.toml"
    path.write_text('workers = 0\napi_keys = ["ada:' + ABC + '"]\n')
    settings = Settings.load({"RILLCAST_CONFIG": str(path), "RILLCAST_DATA": str(tmp_path)})
    assert settings.workers == 0
    assert settings.api_keys == (ApiKey("ada", ABC),)


def test_a_named_file_that_is_missing_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SettingsInvalid, match="does not exist"):
        Settings.load({"RILLCAST_CONFIG": str(tmp_path / "none.toml")})


@pytest.mark.parametrize("text", ["port = ", "port = 1\nport = 2", "\xff"])
def test_a_broken_file_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "rillcast.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(SettingsInvalid, match=r"rillcast\.toml cannot be read"):
        Settings.load({}, data=tmp_path)


def test_a_misspelt_name_in_the_file_is_refused_with_the_likely_one(tmp_path: Path) -> None:
    (tmp_path / "rillcast.toml").write_text('databse_url = "sqlite:///x"\n')
    with pytest.raises(SettingsInvalid, match="database_url"):
        Settings.load({}, data=tmp_path)


def test_a_misspelt_variable_is_logged_with_the_likely_one(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        Settings.load({"RILLCAST_DATABSE_URL": "x", "RILLCAST_BASE_URL": "y"}, data=tmp_path)
    assert "RILLCAST_DATABASE_URL" in caplog.text
    assert "RILLCAST_BASE_URL" not in caplog.text


def test_an_empty_variable_means_not_set(tmp_path: Path) -> None:
    assert Settings.load({"RILLCAST_PORT": "", "RILLCAST_API_KEYS": ""}, data=tmp_path).port == 8000


def test_keys_are_listed_with_commas(tmp_path: Path) -> None:
    keys = f"ada:{ABC}, ben:{ABC.upper()},"
    assert Settings.load({"RILLCAST_API_KEYS": keys}, data=tmp_path).api_keys == (
        ApiKey("ada", ABC),
        ApiKey("ben", ABC),
    )
    assert hash_key("abc") == ABC


@pytest.mark.parametrize(
    ("variable", "value", "message"),
    [
        ("PORT", "eighty", "port: 'eighty' is not a whole number"),
        ("PORT", "70000", "port: 70000 lies outside 0 to 65535"),
        ("LEASE_S", "soon", "lease_s: 'soon' is not a number"),
        ("LEASE_S", "nan", "lease_s: nan lies outside"),
        ("JOB_TIME_LIMIT_S", "0", "job_time_limit_s: 0.0 lies outside"),
        ("DATABASE_URL", "mysql://root:secret@db/x", "database_url: give sqlite"),
        ("QUEUE_URL", "http://secret", "queue_url: give redis"),
        ("QUEUE_NAME", "no spaces", "queue_name"),
        ("COMPUTE", "os.system('x')", "compute"),
        ("LOG_LEVEL", "LOUD", "log_level"),
        ("API_KEYS", "ada", "api_keys: after 'ada'"),
        ("API_KEYS", "no name:secret", "api_keys: the owner's name"),
    ],
)
def test_a_bad_value_is_refused_without_repeating_secrets(
    tmp_path: Path, variable: str, value: str, message: str
) -> None:
    with pytest.raises(SettingsInvalid) as refused:
        Settings.load({f"RILLCAST_{variable}": value}, data=tmp_path)
    assert message in str(refused.value)
    assert "secret" not in str(refused.value)


def test_every_fault_is_named_at_once(tmp_path: Path) -> None:
    environ = {"RILLCAST_PORT": "x", "RILLCAST_THREADS": "0", "RILLCAST_LEASE_S": "-1"}
    with pytest.raises(SettingsInvalid) as refused:
        Settings.load(environ, data=tmp_path)
    assert [fault.split(":")[0] for fault in refused.value.faults] == ["port", "threads", "lease_s"]


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.168.1.5", False),
        ("chip.example", False),
    ],
)
def test_loopback_is_told_from_the_network(tmp_path: Path, host: str, loopback: bool) -> None:
    assert Settings(data=tmp_path, host=host).on_loopback is loopback


def test_a_worker_process_gets_the_same_settings_but_no_keys(tmp_path: Path) -> None:
    settings = Settings(data=tmp_path, lease_s=1.5, api_keys=(ApiKey("ada", ABC),), queue_name="q")
    environ = settings.to_environment()
    assert ABC not in str(environ)
    handed = Settings.load(environ)
    differing = [
        each.name for each in fields(Settings) if getattr(handed, each.name) != getattr(settings, each.name)
    ]
    assert differing == ["api_keys"]


def test_the_table_in_the_docstring_names_every_setting_with_its_default(tmp_path: Path) -> None:
    table = dict(re.findall(r"^\| `(\w+)` \| (.+?) \|", module.__doc__ or "", re.MULTILINE))
    assert list(table) == [setting.name for setting in fields(Settings)]
    settings = Settings(data=tmp_path)
    for name, default in table.items():
        if default.startswith("`") and name != "data":
            value = getattr(settings, name)
            assert default.strip("`") == (f"{value:g}" if isinstance(value, float) else str(value)), name
