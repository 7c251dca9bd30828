"""Where a user's own profiles lie: known here only, drivers are handed the folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import platformdirs

from benchapp.cli.errors import CommandError
from drivers.errors import ProfileError
from drivers.profile import Profile, Profiles, load

if TYPE_CHECKING:
    from drivers.thermometer import ThermometerProfiles


def user_folder() -> Path:
    """The folder for a user's own profiles; need not exist."""
    return platformdirs.user_config_path("kilter", appauthor=False) / "profiles"


def user_profiles() -> Profiles:
    """The built-in profiles and the user's own."""
    return Profiles(user_folder())


def user_thermometers() -> ThermometerProfiles:
    """The built-in thermometers and the user's own, which lie beside the folder of profiles."""
    from drivers.thermometer import ThermometerProfiles  # brings the serial port along: not before the first paint

    return ThermometerProfiles(user_folder().with_name("thermometers"))


def chosen_profile(profiles: Profiles, name_or_path: str) -> Profile:
    """The profile a person asked for by name or path.

    Raises:
        CommandError: It does not exist or is faulty.
    """
    try:
        path = Path(name_or_path)
        if name_or_path not in profiles.names and path.is_file():
            return load(path)
        return profiles.get(name_or_path)
    except ProfileError as error:
        if Path(error.file).is_file():
            raise CommandError(f"{error}; correct it, README.md says what each key means") from error
        todo = "; look at its name and its folder" if error.file.endswith(".toml") else ""
        raise CommandError(f"{error}{todo}") from error
