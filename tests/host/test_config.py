"""The settings file is read strictly, all faults at once, and changed without losing the grower's words."""

from __future__ import annotations

from pathlib import Path

import pytest

from sashkeeper import config
from sashkeeper.errors import InputError


def test_no_file_means_the_defaults(tmp_path: Path) -> None:
    """Nothing has to be set before the first frame."""
    assert config.read(tmp_path) == config.Config()


def test_all_faults_at_once_and_no_secret_in_them(tmp_path: Path) -> None:
    """Each fault is named with its place; what could be a secret is not repeated."""
    (tmp_path / config.FILE_NAME).write_text(
        'units = "kelvin"\ncolour = 1\n[place]\nlat_deg = 95.0\ntimezone = "Mars/Base"\n[broker]\nport = 99999\n'
        'password = 7\n[[channels]]\nname = ""\nurl = 5\n'
    )
    with pytest.raises(InputError) as fault:
        config.read(tmp_path)
    said = fault.value.sentence
    for word in ("8 faults", "units", "colour", "place.lat_deg", "Mars/Base", "broker.port", "broker.password",
                 "channels.1.name", "channels.1.url", "Nothing was changed"):  # fmt: skip
        assert word in said, word
    assert "(it is 7)" not in said
    assert "(it is 5)" not in said


def test_broken_toml_says_where(tmp_path: Path) -> None:
    """A typing mistake is named with its line."""
    (tmp_path / config.FILE_NAME).write_text("[place\nname = 1")
    with pytest.raises(InputError, match="line 1"):
        config.read(tmp_path)


def test_changes_keep_comments_and_are_checked_first(tmp_path: Path) -> None:
    """A change leaves the grower's comments alone, and a wrong one leaves the whole file alone."""
    path = tmp_path / config.FILE_NAME
    path.write_text('# my garden\n[place]\nname = "Home" # by the wall\n')
    new = config.change(tmp_path, {"place": {"lat_deg": 52.5}, "units": "fahrenheit"})
    assert (new.place.lat_deg, new.place.name, new.units) == (52.5, "Home", "fahrenheit")
    assert "# by the wall" in path.read_text()
    assert config.read(tmp_path) == new
    before = path.read_bytes()
    with pytest.raises(InputError, match="place"):
        config.change(tmp_path, {"place": {"lat_deg": 200.0}})
    assert path.read_bytes() == before
    assert config.change(tmp_path, {"units": None}).units == "celsius"


def test_secrets_do_not_show_in_representations() -> None:
    """Printing the settings for a log shows no password, token or notification address."""
    made = config.check(
        {"broker": {"password": "geheim1"}, "channels": [{"name": "m", "url": "mailto://u:geheim2@x"}],
         "influx": {"token": "geheim3"}}, "test",
    )  # fmt: skip
    assert "geheim" not in repr(made)
